"""Everything that moves: pins, interlocks and the trip; modules here never judge a part."""
