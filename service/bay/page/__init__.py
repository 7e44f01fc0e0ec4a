"""The tablet page of a bay, served by the bay's own computer, so that it works while the network is down."""
