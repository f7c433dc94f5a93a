"""`six` for `transitions.core`, which wants one name of it: what counts as a string.

The real one is the tuple `(str,)`, and the core nests it in another: MicroPython's `isinstance`
does not look into nested tuples.
"""

string_types = str
