"""The rules: pure functions from state, reading, requests and now to new state and decision.

No clock, no I/O, no logging; imports shared only.
"""
