"""Campaigns of many sites in virtual time: the real coordinator, the real work of a worker and the
real conductor, with a store and houses in memory, and everything going wrong.

`python -m tests.campaign.swarm 200` plays the seeds 0 to 199; `--seed N` tells one at length.
"""
