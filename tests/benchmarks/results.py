"""Run one benchmark and put what it prints into RESULTS.md, in place of what stood there of it.

`python -m tests.benchmarks.results coverage --count 500`: the name, then the benchmark's options.
"""

import subprocess
import sys
from pathlib import Path

NAMES = ("coverage", "wrong_calls", "efficiency", "speed", "whole_way", "reading_path")
RESULTS = Path(__file__).with_name("RESULTS.md")
HEAD = """# Results of the benchmarks

Made by `python -m tests.benchmarks.results NAME ...`; each part names the command that printed it.
What the tables ask is in [README.md](README.md). Where a count is smaller than the benchmark's own
default, the machine's time was the reason: the shares are as uncertain as their errors say.
"""


def sections(text: str) -> dict[str, str]:
    """Split the file into its parts by name."""
    found = {}
    for part in text.split("\n## ")[1:]:
        name, _, body = part.partition("\n")
        found[name.strip()] = body.strip()
    return found


def store(name: str, options: list[str], printed: str) -> None:
    """Put what a benchmark printed into the file, headings one level down."""
    known = sections(RESULTS.read_text(encoding="utf-8")) if RESULTS.exists() else {}
    command = " ".join(["python -m", f"tests.benchmarks.{name}", *options])
    known[name] = f"`{command}`\n\n{printed.strip()}"
    parts = [f"## {each}\n\n{known[each]}\n" for each in NAMES if each in known]
    RESULTS.write_text("\n".join([HEAD, *parts]), encoding="utf-8")


def main() -> None:
    """Run the benchmark named on the command line and store what it prints."""
    if len(sys.argv) < 2 or sys.argv[1] not in NAMES:
        sys.exit(f"name one of {', '.join(NAMES)}, then its options")
    name, options = sys.argv[1], sys.argv[2:]
    command = [sys.executable, "-m", f"tests.benchmarks.{name}", *options]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    store(name, options, done.stdout)


if __name__ == "__main__":
    main()
