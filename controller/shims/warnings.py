"""`warnings` for `transitions.core`, which sets one filter when it is imported."""


def filterwarnings(action, message="", category=None):
    """Take a filter; nothing warns."""
