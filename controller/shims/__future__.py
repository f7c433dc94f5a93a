"""`__future__` for the package file of `transitions`: one name, long since the only behaviour."""

absolute_import = True
