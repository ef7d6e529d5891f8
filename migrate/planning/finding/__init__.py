"""From what sources say to devices: who is there, what is in doubt, what the fleet file lacks."""
