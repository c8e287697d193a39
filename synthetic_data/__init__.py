"""An invented fleet with known truth, written as ordinary export files."""
