"""The journal of a run: what was intended, before it is done; what became of it, after."""
