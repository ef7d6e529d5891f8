"""A swarm of seeded stories: the real engine in the virtual world, and everything going wrong.

`python -m tests.swarm 2000` plays the seeds 0 to 1999; a seed that fails is named and can be played
again alone, to the letter: `python -m tests.swarm --seed N`. `--family` tells stories of another
kind (families.py); what `plain` seeds tell does not change with them.
"""
