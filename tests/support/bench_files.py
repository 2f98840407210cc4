"""Own a whole bench file for tests to change, and a board that fits it; never know the program."""

FULL = """\
name = "Low Yard, bench 1"
data = "/srv/stillgauge"

[link]
port = "/dev/serial/by-id/usb-board"
rate_hz = 250
lease_ms = 400

[pins]
factory = "mock"
journal = "pins.log"

[valves.pump]
pin = "GPIO17"
at_rest = "shut"
active_high = true

[valves.vent]
pin = "GPIO18"
at_rest = "open"
active_high = false

[valves.part]
pin = "GPIO22"
at_rest = "open"
active_high = true

[valves.port_b]
pin = "GPIO23"
at_rest = "open"
active_high = true

[outputs.coil]
pin = "GPIO24"
active_high = true

[outputs.electric_pump]
pin = "GPIO25"
active_high = true

[outputs.lamp]
pin = "GPIO5"
active_high = true

[outputs.buzzer]
pin = "GPIO6"
active_high = false

[inputs.mark]
pin = "GPIO12"
pressed = "low"

[inputs.stop]
pin = "GPIO13"
pressed = "open"

[channels.p_a]
kind = "pressure"
input = "p0"
low = ["0.5 V", "0 kPa"]
high = ["4.5 V", "115 kPa"]
span_u = "1 %"
zero_u = "300 Pa"
input_ratio = 1.0
ratiometric = "5.0 V"
fastest = "400 kPa/s"

[channels.p_b]
kind = "pressure"
input = "p1"
low = ["0.5 V", "0 kPa"]
high = ["4.5 V", "115 kPa"]
span_u = "2 %"
zero_u = "3 mbar"

[channels.barometer]
kind = "pressure"
input = "p2"
low = ["0.5 V", "20 kPa"]
high = ["4.5 V", "115 kPa"]
span_u = "0.2 %"
zero_u = "100 Pa"

[channels.t_gas]
kind = "thermistor"
input = "t0"
fixed_ohm = 10000
reference = "5.0 V"
side = "to_ground"
curve = [0.001129241, 0.0002341077, 8.775468e-08]
u = "0.5 degC"

[channels.t_bath]
kind = "thermistor"
input = "t1"
fixed_ohm = 4700
reference = "5.0 V"
side = "to_reference"
r25_ohm = 10000
beta_k = 3950
u = "0.9 degF"

[channels.supply]
kind = "voltage"
input = "v0"
input_ratio = 6.0

[channels.sensor_supply]
kind = "voltage"
input = "v1"
input_ratio = 2.0

[channels.travel]
kind = "travel"
input = "x0"
low = ["0.5 V", "0 mm"]
high = ["4.5 V", "25 mm"]

[channels.signal]
kind = "voltage"
input = "s0"

[safety]
max_vacuum = "25 inHg"
max_bath = "95 degC"
supply = ["11 V", "15 V"]
"""
"""A bench file with every key that there is."""

INPUTS = ("p0", "p1", "p2", "t0", "t1", "v0", "v1", "x0", "s0")
"""The inputs that its channels name."""


def changed(old: str, new: str, text: str = FULL) -> str:
    """Return the file with one piece of it, which stands there once, put in place of another."""
    assert text.count(old) == 1, f"{old!r} stands there {text.count(old)} times"
    return text.replace(old, new)


def without(name: str, text: str = FULL) -> str:
    """Return the file without one of its headings and all that stands under it."""
    parts = text.split("\n\n")
    kept = [part for part in parts if not part.startswith(f"[{name}]")]
    assert len(kept) == len(parts) - 1
    return "\n\n".join(kept)


def only_channels(*names: str) -> str:
    """Return the file with these channels alone, unwatched."""
    text = changed('supply = ["11 V", "15 V"]\n', "")
    parts = text.split("\n\n")
    kept = [
        part
        for part in parts
        if not part.startswith("[channels.") or part[len("[channels.") : part.index("]")] in names
    ]
    return "\n\n".join(kept)
