"""The read side: load the evidence, ask the statistics, say what follows. Knows no HTTP and no SQL."""
