"""Dialects: how one family of devices is read, written, restarted and recognised.

A dialect file holds no code. `schema` says what a file may hold, `compose` turns settings into one
message, `understand` turns a reply into an answer or into readings, `carrying` proves beforehand
that a value arrives unchanged. All pure.
"""
