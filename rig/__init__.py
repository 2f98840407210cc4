"""stillgauge: tell whether a vacuum-operated part is any good, by how much, and how sure it is."""

__version__ = "0.1.0"
