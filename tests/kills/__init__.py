"""The real tool, killed at any moment."""
