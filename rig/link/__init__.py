"""The serial link to the board: its lines, the port they come through, and the session over it."""
