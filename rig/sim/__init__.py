"""A simulated bench: gas, parts and hands behind the same board, pins and clock as a real one."""
