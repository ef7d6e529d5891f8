"""The engine: drives every device through its life cycle, wave by wave, journal first."""
