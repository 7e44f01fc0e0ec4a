"""The history model: one mixed model of every setup the shop ever measured (see `design` for its terms)."""
