"""The plan: what every device is given, in which wave, why, and the way back. Pure."""
