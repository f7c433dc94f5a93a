"""Programs to start from, each short enough to be read as a whole."""
