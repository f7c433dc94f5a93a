"""Guided procedures at a module: the first power-up, and commissioning."""
