"""Move a whole fleet of Wi-Fi devices to a new network without stranding one."""

__version__ = "0.1.0"
