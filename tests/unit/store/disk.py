"""Own a disk that fails for a while, as the system itself makes it fail."""

import resource
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def largest_file(size_bytes: int) -> Iterator[None]:
    """Let the system refuse to write any file beyond a size."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
