"""Delimited text to curves: bytes in, records in SI out. No files, no clock, no network.

`text` finds the encoding, `cells` and `numbers` cut lines into figures, `units` turns them into SI, `words` knows what
columns are called. `learning` proposes a `mapping` from a sample, `pulls` reads a file by one.
"""
