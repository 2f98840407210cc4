"""What a part is and what it is held to: limits as printed, and whether they can be true."""
