"""Own the measurements of how good and how fast the analysis is; pytest never collects them."""
