"""Own what is said of the rig's own faults: trips, refusals, link, readings; never find one."""

from collections.abc import Mapping

TRIPS: Mapping[str, str] = {
    "stop_pressed": "the stop button",
    "link_lost": "the link to the board was lost",
    "data_stale": "no readings came",
    "board_restarted": "the board started anew",
    "over_vacuum": "too deep a vacuum",
    "over_pressure": "too high a pressure",
    "bath_too_hot": "the bath is too hot",
    "supply_out_of_range": "the valves' supply is out of its range",
    "supply_off": "the valves' supply went off",
    "coil_on_too_long": "the part's coil was on too long",
    "pin_failed": "a pin does not do as told",
    "port_unseen": "a pressure cannot be read",
    "store_failing": "the record cannot be written",
    "internal_fault": "a fault of the program",
}
"""What a trip is called inside a sentence."""

SENTENCES: Mapping[str, str] = {
    # what the interlocks refuse
    "held_by_trip": "The rig has tripped: {trip}. See to the cause and reset first.",
    "not_armed": (
        "Nothing moves outside a run: nobody has said how much the part may bear. Begin a run "
        "first."
    ),
    "armed_already": "A run is on already. Wait for its end, or abort it.",
    "no_data": (
        "No readings have come for {age_s}, so nothing is energised. Look at the board and its "
        "cable."
    ),
    "no_supply": (
        "The board keeps the valves' supply off. Look at stop button, fuse and lease relay."
    ),
    "pump_and_vent_open": (
        "Pump valve and vent valve would be open together: the pump would draw room air without "
        "end. Shut one of them first."
    ),
    "fuel_vapour": (
        "{output} makes sparks, and this part may hold fuel. Flush it, air the room, and confirm "
        "it first."
    ),
    "port_unseen": (
        "The pressure at {channel} has not been readable for more than a second, so its maximum "
        "cannot be kept. Look at the sensor and its plug."
    ),
    "ambient_unknown": (
        "The pressure of the room is not known yet, so no vacuum can be told at {channel}. Let the "
        "rig stand vented first."
    ),
    "port_at_maximum": (
        "{channel} stands at {vacuum_pa}, beyond the {max_vacuum_pa} it may bear. Vent it first."
    ),
    # trips
    "stop_pressed": (
        "The stop contact is open: the button is pressed, or its wire is broken. Let the button "
        "out, or look at the wire."
    ),
    "data_stale": (
        "No readings have come from the board for {age_s}. Look at the cable and the board."
    ),
    "over_vacuum": (
        "The vacuum at {channel} reached {vacuum_pa}; at most {max_vacuum_pa} is borne there. "
        "Vented at once: see that it comes down, and pull less."
    ),
    "over_pressure": (
        "The pressure at {channel} stood {above_pa} above the room; at most {max_above_pa} is "
        "borne there. Vented at once: turn the regulator down."
    ),
    "bath_too_hot": (
        "The bath is at {bath_temperature_k}, over {max_bath_temperature_k}. The rig cannot switch "
        "the heater off: switch it off by hand, now."
    ),
    "supply_out_of_range": (
        "The valves' supply reads {supply_v}; it must stand between {low_v} and {high_v}. Look at "
        "supply, fuse and coils."
    ),
    "supply_off": (
        "The valves' supply went off while something was energised. Look at fuse, stop wire, lease "
        "relay and board."
    ),
    "coil_on_too_long": (
        "The part's coil was on for more than the {max_coil_s} it bears, and was switched off. Let "
        "it cool."
    ),
    "pin_failed": "A pin does not do as told: {what}.",
    "not_at_rest": (
        "Not at rest although everything was switched off: {output}. Take the valves' supply off "
        "by hand and look at pin and driver."
    ),
    "store_failing": (
        "The record cannot be written ({cause}); what was recorded waits in memory since "
        "{waiting_s}. See to the disk; nothing is lost while the program runs."
    ),
    "link_lost": "The link to the board was lost: {what}",
    "board_restarted": (
        "The board started anew in the middle of it: what it measured before cannot be joined to "
        "what it measures now. Look at its supply and cable, and repeat."
    ),
    "board_unfit": "The board does not fit the bench file: {what}",
    "board_fault": "The board reports: {what}.",
    # readings
    "no_readings_yet": (
        "The board has sent no readings within {waited_s}. Look at the cable, and at link.port in "
        "the bench file."
    ),
    "channel_at_fault": "Channel {channel} is not read as it should be; see what was said before.",
    "sensor_open": (
        "Channel {channel} reads {reading_v} of {reference_v}, as with a broken wire: look at the "
        "thermistor's plug and wire."
    ),
    "sensor_shorted": (
        "Channel {channel} reads {reading_v} of {reference_v}, as with a short: look for wires "
        "that touch and for water in the plug."
    ),
    "converter_at_end": (
        "Channel {channel} stands at the end of its converter ({reading_v}): look for a broken or "
        "shorted wire or a missing supply, and at input_ratio in the bench file."
    ),
    "out_of_range": (
        "Channel {channel} reads {reading_v}, but its sensor gives {low_v} to {high_v}: look at "
        "plug, wire and supply, and at the sensor's line in the bench file."
    ),
    "impossible_step": (
        "Channel {channel} leapt to {reading_v} and back, faster than anything real: that reading "
        "is left out. If it comes again, look at plug, shielding and ground."
    ),
    "sensor_supply_outside": (
        "Channel {channel} is left out: its sensor's supply reads {reading_v}, and {nominal_v} is "
        "nominal. Look at that supply."
    ),
    "reading_usable_again": (
        "Channel {channel} reads as it should again: {count} {readings} left out, over {lasting_s}."
    ),
}
