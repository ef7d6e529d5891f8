"""A world in memory: virtual time, seeded faults, no sockets. It fits where the real one does.

What is simulated is the other side of `ports.protocols` and the disk below the journal. Conductor,
journal, dialects and gates are the real ones and do not know. A house of units lives in virtual
time and goes on living when the process that works on it is cut off; everything that happens by
chance is drawn from one seeded generator, so the same seed is the same story.
"""
