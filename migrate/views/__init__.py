"""What people look at: the plan, the run as it goes, where it stands, the report."""
