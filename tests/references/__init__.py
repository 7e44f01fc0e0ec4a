"""`python3 bootstrap.py references`: our figures beside published ones, and how well the checks at the door do.

All that is said about the checks comes from simulated posts, made here from fixed seeds.
"""
