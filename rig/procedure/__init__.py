"""What is done to a part, as generators of steps; modules here cannot reach hardware."""
