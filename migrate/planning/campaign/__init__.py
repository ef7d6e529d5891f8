"""Many sites: what travels between them and the store, where each stands, and who may begin.

Pure, as all of planning. `errands.py` holds what travels; `standing.py` where a site stands by what
its errands came to; `turn.py` the rule by which sites begin; `plan.py` the frozen plan.
"""
