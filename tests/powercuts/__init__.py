"""Power cuts, enumerated: at every operation of the store, at every byte, at any time."""
