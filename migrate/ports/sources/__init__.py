"""Where devices can be found: leases, neighbours, DNS-SD, a sweep, presence topics."""
