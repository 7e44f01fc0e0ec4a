"""Bays that post and readers that ask for a long while, and what became of it."""
