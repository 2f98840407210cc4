"""Own the help of the commands and their options; never read one."""

from collections.abc import Mapping

PROGRAM_HELP = (
    "Tell whether a vacuum-operated part holds, by how much it leaks, and how sure that is."
)
ANALYSE_SHORT_HELP = "Judge a recorded hold, from a curve that any logger wrote."
ANALYSE_HELP = """Judge a recorded hold: how fast a part lost its vacuum once the pump was shut off.

CURVE.csv is what a logger wrote: a line with the names of the columns, then one line a sample.
Needed are the columns t_s (seconds) and pressure_kpa (absolute) or vacuum_inhg (below the air of
the room); gas_temperature_c and ambient_kpa are used if they are there, others are passed over.
Above them, lines such as

\b
    # ambient_kpa: 101.1
    # gas_temperature_c: 22.0
    # volume_cc: 75.0
    # volume_u_cc: 0.75

say under what the curve was recorded: the barometer as it stands, the temperature of the air in the
hose, and the volume of hose and part together with its uncertainty. An option below takes the place
of such a line. Write its value with the unit.

Without a limit the leak is measured, not judged.

\b
Example:
    rig analyse curve.csv --from 15inHg --max-drop 1inHg --within 20s --reference-volume 45cc

Exit status: 0 pass or measured, 1 fail, 2 the options do not fit together, 3 file or value cannot
be used, 6 test spoiled, 7 too close to call. With --json an error is one JSON object, too: "error"
and "exit_status".
"""
COMMAND_HELP: Mapping[str, str] = {
    "test": """Test a part at the bench, in the terminal.

TAG is that of a part taken in with `rig parts add`; a simulated bench takes its part in by itself.
Enter is the mark; "stop" and Enter ends the run after the step being made, "abort" and Enter, or
Ctrl-C, at once. However it ends, the bench is vented.

A sprung rod snaps back when vacuum is let go: fingers clear of it. Fuel vapour: flush the part, air
the room. This program is no safety device; local rules and the service manual come first.

\b
Example, on a bench that is not there:
    rig test N01 --simulated --fast

Exit status: 0 pass or measured, 1 fail, 3 it cannot be tested so, 4 no link to the board, 5 the
record cannot be used, 6 test spoiled, 7 too close to call.
""",
    "selftest": """Test the rig itself, or measure its own volume.

Valves are proved by the pressure, sensors must agree while vented, the lease is withdrawn and the
vent seen to open, and the rig's own leak is measured with the hose end capped. Runs take that leak
off, and say when it is out of date.
""",
    "serve": """Run the rig as a service of this machine.

It ends by SIGTERM or Ctrl-C, outputs at rest first. One program at a time can have the board.
""",
    "safe": """Bring every output of a bench to rest, and let go of it.

The service manager runs it after the service has ended in whatever way.
""",
    "parts": """List the parts on record, and keep that list.

The verbs below take a part in, rename it, retire it or note that it was rebuilt; none of them
deletes. Without one the parts are listed: tag, what each is, number, condition, and how it stands.
The standing is put together from the newest valid tests since the part was last rebuilt; what is
needed for it and missing counts as not tested.
""",
    "parts add": """Take a part in, with what can be seen of it.

Do it before anything is connected. TAG is what you write on the part's label: 1 to 24 letters and
digits, with '-', '_' or '.' between them. A tag is never given twice. Families and their variants
are listed by `rig families`.

\b
Example:
    rig parts add N01 --family choke_pull_off --condition old_stock \\
        --number-read UM-P11 --make Umbrevan --saw painted_nipple
""",
    "parts rename": "Give a part another tag; the old one still finds it.",
    "parts retire": "Mark a part as no longer in use; its story is kept.",
    "parts rebuilt": "Note that a part was rebuilt. Its tests up to now no longer stand for it.",
    "history": """Tell a part's story, or list the newest runs.

The story holds how the part came in, every run and every change, and at its head how the part
stands now and what is missing for that. TAG may be an old one. Without a TAG the newest runs of all
parts are listed. The rig's own runs have the tag 'rig'.
""",
    "show": """Show one run: what was planned, made, measured and judged.

RUN is its number, as `rig history` lists it. The exit status is 0 whatever came of the run.
""",
    "void": "Mark a run as one that counts for nothing. It stays on record, with the reason.",
    "move": "Give a run to the part that was really tested.",
    "reanalyse": """Judge a run again from its raw readings, and compare.

Without --limits it must come out as it was stored. Where it does not, one version of the program
judged wrongly: what differs is said, and the exit status is 5. With --limits the tests that the
spec sheet names are held to its limits, the old result beside the new one. Nothing on record is
changed.

Exit status: 0 pass or measured, 1 fail, 6 test spoiled, 7 too close to call or not tested, as it is
judged now; 5 it differs from what was stored, or the record cannot be read.
""",
    "backup": """Copy the record, and look the copy through.

It may be done while a run is being made. The newest seven copies are kept, in the folder backups
beside the record: copy one to another disk now and then.
""",
    "restore": """Put a backup in the record's place.

What is there now is kept aside. BACKUP is a file, or the name alone of one that `rig backup --list`
shows. End the program that makes runs first.
""",
    "check-config": """Say what is wrong with a bench file, family or spec sheet.

Which of the three FILE is, its content tells. All faults are told at once, each with file, line,
key and what to write instead. Nothing is connected or moved.

Exit status: 0 the file is sound, 3 it is not, or cannot be read.
""",
    "words": "Print every text that the program shows, as one list.",
    "families": """List the families of parts that can be tested.

Their kinds, tests and cautions are told. NAME shows one family alone.
""",
}
"""The help of each command by its verb; its first sentence stands in the list of commands."""
OPTION_HELP: Mapping[str, str] = {
    "from": "Limit: the vacuum that it starts from.",
    "max_drop": "Limit: the most that a hand gauge may drop.",
    "within": "Limit: the time for that drop.",
    "reference_volume": "Volume that the drop is meant in: hand pump, hose and part.  [this run's]",
    "source": "Whose limit it is, such as a manual and its page.",
    "purpose": (
        "What for: before fitting (a verdict must be 95 % sure), for sale (99 %), or just to "
        "measure.  [before-fitting with a limit, else just-measure]"
    ),
    "ambient": "The barometer at the bench as it stands, not reduced to sea level.",
    "ambient_u": "Its standard uncertainty.  [0.2kPa]",
    "gas_temperature": "Temperature of the air in the hose.  [20degC, uncertain by 3]",
    "gas_temperature_u": "Its standard uncertainty.  [1degC]",
    "volume": "Whole test volume: hose and part together.",
    "volume_u": "Its standard uncertainty.  [5 % of it]",
    "span_u": "Standard uncertainty of the pressure sensor's span.  [1%]",
    "own_leak": "The rig's own leak, hose end capped.",
    "own_leak_u": "Its standard uncertainty.",
    "blank_off": (
        "Curve of the rig alone, hose end capped, in place of --own-leak: its rise is taken out. "
        "The conditions are those of its own lines."
    ),
    "json": "Print one JSON object instead of text.",
    "plot": "Draw the curve, what was fitted and the limit into this file.",
    "details": "Say also how noisy the curve is and in which ways it can be read.",
    "record_data": (
        "Folder of the record.  [that of --bench, else of RIG_DATA, else ~/stillgauge]"
    ),
    "record_bench": "The bench file whose record is meant.",
    "standing_for": "What a part is to stand for: before fitting or for sale.  [before-fitting]",
    "max_age": "Days after which a test no longer counts for the standing.  [365]",
    "family": "Family of the part, such as choke_pull_off.",
    "variant": "Which kind of that family.  [the only one, where there is but one]",
    "condition": "Condition that the part comes in.",
    "number_read": "Number that can be read on the part.",
    "number_unreadable": "In place of it: why none can be read.",
    "number_claimed": "Number that whoever brought it names.",
    "number_unclaimed": "In place of it: why none is named.",
    "make": "Whose make it is.",
    "date_code": "Date code, as it is stamped.",
    "part_source": "Where the part comes from.",
    "notes": "What else is to be said of it.",
    "saw": "What can be seen, smelt or felt of it; may be given several times.",
    "reason": "Why; it stays on record.",
    "rebuild_note": "What was done to the part; it stays on record.",
    "newest": "Without a TAG: how many of the newest runs.  [20]",
    "show_plot": "Draw the last hold, what was fitted and the limit into this file.",
    "show_details": "Say also where the doubt of each figure comes from.",
    "limits": "Spec sheet with the limits to judge by.",
    "limits_purpose": (
        "What to judge for, with --limits.  [that of the run; before-fitting where it only "
        "measured]"
    ),
    "list_backups": "List the backups that there are, newest first.",
    "yes": "Do not ask before.",
    "keys": "List every key of a bench file, with what it says; no FILE is needed.",
    "bench": "The file that describes the bench.  [RIG_BENCH, else /etc/stillgauge/bench.toml]",
    "simulated": "Work at a simulated bench: real frames, mock pins, a simulated operator.",
    "plant": "Simulated bench around a plant of your own; see hardware/plant.md.",
    "part": "Simulated part on its hose: N01, N02, N03, good, bad, torn, opens or wet.",
    "fast": "Let simulated time run as fast as it can.",
    "seed": "Seed of the simulated operator.  [1]",
    "bench_data": "Folder of a simulated bench's record.  [one that is thrown away at the end]",
    "test_purpose": (
        "What for: before fitting (a verdict must be 95 % sure), for sale (99 %), or just to "
        "measure.  [before-fitting]"
    ),
    "test": "Make this test only; may be given several times.  [all that the purpose asks for]",
    "confirm": "Something that you have seen to, such as no_bleed; may be given several times.",
    "note": "A note that is kept with the run.",
    "dry_run": "Say what the test will do, step by step; nothing moves.",
    "syringe": "Measure the volume of manifold and hose with a graduated syringe instead.",
    "port": "Port of the service on this machine; 0 takes a free one.  [8450]",
    "version": "Show the version and stop.",
    "help": "Show this text and stop.",
}
