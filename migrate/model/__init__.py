"""What there is: devices, settings, sides, secrets, and the rules of the standards.

Pure: nothing here opens a file, a socket or a clock.
"""
