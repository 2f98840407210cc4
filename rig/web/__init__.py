"""The rig's doors on the network: what a browser or another program asks, and what it is told."""
