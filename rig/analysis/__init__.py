"""Arrays in, numbers out: the physics and statistics of a test, without any input or output."""
