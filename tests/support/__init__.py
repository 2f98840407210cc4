"""Own the makers of test curves; nothing in here may import the program under test."""
