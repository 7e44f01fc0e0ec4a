"""Estimating the history model again in the background: when it is wanted, and doing it."""
