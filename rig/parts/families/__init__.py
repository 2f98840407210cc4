"""The families of parts that come with the program, one file each, and what each file holds."""

from collections.abc import Mapping
from importlib import resources
from types import MappingProxyType

_ENDING = ".toml"


def shipped_families() -> Mapping[str, str]:
    """Get the texts of the family files that come with the program, by the family's name."""
    files = [each for each in resources.files(__name__).iterdir() if each.name.endswith(_ENDING)]
    texts = {each.name.removesuffix(_ENDING): each.read_text(encoding="utf-8") for each in files}
    return MappingProxyType(dict(sorted(texts.items())))
