"""Own every sentence and label that the program shows; never decide which one to show."""
