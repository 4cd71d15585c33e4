"""The person's sentence for every name of evenfall_wire.codes.

Faults and refusals say what is wrong and what to do.  Tables are keyed by the
names; tests/host checks that none is missing.
"""

from __future__ import annotations

STATES = {
    "start": "starting",
    "rest": "at rest: valve shut, nothing armed",
    "ready": "ready: open the throttle, the sweep starts at the button or by itself",
    "steady": "holding top speed before the sweep",
    "sweep": "sweeping",
    "release": "releasing the load",
    "store": "writing the run to flash",
    "safe": "safe: a fault is held until it is cleared",
    "characterise": "measuring the valve",
    "record": "recording a run that nobody started by the button",
}

BUSY_STATES = ("steady", "sweep", "release", "store", "characterise", "record")  # no time for anything else

# what a press of the board's button does in each state
BUTTON = {
    "start": "nothing yet",
    "rest": "arms the board; clears a fault that is only noted, too",
    "ready": "starts the sweep once the brake turns; before that, disarms",
    "record": "starts the sweep",
    "steady": "ends it: the load is released",
    "sweep": "ends it: the load is released",
    "release": "nothing",
    "store": "arms the board once the run is written",
    "characterise": "ends it: the load is released",
    "safe": "clears the fault (shaft at rest, cause gone) and arms the board",
}

TRIGGERS = {
    "button": "the button",
    "spin_up": "the brake spinning up",
    "host": "the laptop",
}

FAULTS = {
    "none": "no fault",
    "overspeed": "The shaft went over its speed limit. Find out why before the next sweep: "
    "water supply, valve, chain, coupling.",
    "load_open": "The load cell reads what no brake gives: a wire or plug is off, the arm is pulled "
    "backwards, or it was struck. Take the load off the arm, then check its plug and its four wires.",
    "cell_overload": "The load cell was overloaded: its reading rose to the end of the range, or beyond the "
    "set limit. Take the load off and look whether the zero has moved; use a longer arm, a larger cell or "
    "less gain.",
    "load_clamped": "The load cell reads its end value. Check for overload and for a broken wire.",
    "load_stuck": "The load reading does not change by even one count. Check amplifier and cable.",
    "load_silent": "The load-cell amplifier sends nothing. Check its supply, data and clock wires.",
    "hall_lost": "The speed pickup went silent under load. Check magnet, gap and cable.",
    "servo_no_answer": "The valve was moved and the torque did not follow. Check servo, linkage, supply. "
    "A full brake looks so, too: give it more water (pressure, valve, hose) or gear it to turn faster.",
    "water_lost": "The valve is open and the brake takes no load: no water. Check tap, hose and filter.",
    "brown_out": "The board's supply failed during a sweep. Check its cable; give the servo its own.",
    "button_stuck": "The button has been down too long. Check the button and its cable.",
    "load_lost": "The engine's load went away during the sweep. Check chain, coupling and water.",
    "stalled": "The engine stalled under the brake, or the throttle was shut before the sweep had ended. "
    "Raise the end speed or check the valve.",
    "watchdog": "The board stopped answering itself and was restarted. If it happens again, report it.",
    "flash_full": "The board has no room for another run. Pull the stored runs, then go on.",
    "store_damaged": "The board's run store could not be read whole. Pull what is there first.",
    "settings_bad": "A setting on the board is out of its bounds and a safe value is used. "
    "Look at the settings and set it anew.",
    "top_speed_not_held": "The engine could not hold its top speed before the sweep. Check the throttle.",
}

VERDICTS = {
    "none": "not judged",
    "good": "good",
    "fair": "fair",
    "poor": "poor",
    "aborted": "broken off",
    "recorded": "recorded only",
}

REASONS = {
    "none": "nothing to remark",
    "time_off": "the sweep took too long or too short a time",
    "tracking_off": "the speed strayed from the set speed",
    "valve_full_open": "the valve was fully open and still not enough: raise pressure or nozzle size",
    "valve_shut": "the valve was shut and the brake still held too much: it leaks or drains too slowly",
    "supply_low": "the water supply is too weak",
    "top_speed_not_held": "the engine did not hold its top speed before the ramp",
    "fault": "a fault ended it",
    "stopped_by_button": "the button ended it",
    "stopped_by_host": "the laptop ended it",
    "no_button": "nobody pressed the button: recorded because the brake spun up",
    "buffer_full": "the recording filled the board's memory",
    "samples_lost": "the board is too slow for its amplifier: set 'amplifier' to 2, or take a quicker board",
    "brake_too_weak": "with the valve fully open the brake did not hold the engine: give it more water "
    "(pressure, valve, hose) or gear it to turn faster",
    "valve_too_large": "the valve is too large to be set finely: fit a smaller one, move 'servo_open' nearer "
    "to 'servo_shut', or lower the water pressure",
}

EVENTS = {
    "state": "state",
    "fault": "fault",
    "trigger": "trigger",
    "verdict": "verdict",
    "clock_set": "clock set",
    "load_gap": "load samples lost",
    "edge_gap": "speed edges lost",
    "learned": "learned values stored",
    "zeroed": "zero taken",
    "uptime": "seconds since the board's start",
    "not_recorded": "runs made before this one, not recorded: another still waited to be stored",
    "small_record": "recorded small, flash was short; so many more runs would fit",
}

# why the board is too busy, in each state
BUSY = {
    "start": "The board is starting. Try again in some seconds.",
    "rest": "The board is not armed. Arm it first.",
    "ready": "The board is armed. Disarm it first: evenfall board stop.",
    "steady": "A sweep is under way. Wait until its run is stored, or end it: evenfall board stop.",
    "sweep": "A sweep is under way. Wait until its run is stored, or end it: evenfall board stop.",
    "release": "The board releases the load. Wait until the run is stored.",
    "store": "The board writes a run to its flash. Wait some seconds.",
    "safe": "A fault is held. Put its cause right and clear it first: evenfall board clear-fault.",
    "characterise": "The board measures the valve. Wait until that is over, or end it: evenfall board stop.",
    "record": "The board records a run that nobody started by the button. Wait until it is stored.",
}
# where the state says too little: by (command, state)
BUSY_COMMANDS = {
    ("arm", "ready"): "The board is armed already. Open the throttle, or press the board's button.",
    ("start", "ready"): "The board is armed, but the shaft is slower than spin_up_speed. "
    "The sweep starts when you open the throttle.",
}

REFUSALS = {
    "none": "The board refused without a reason.",
    "unknown_request": "The board does not know this request: its firmware is older. Install newer firmware.",
    "bad_payload": "The board could not read the request. Install firmware and host of the same release.",
    "newer_protocol": "The board speaks another generation of the protocol. "
    "Install firmware and host of the same release.",
    "busy_state": "The board is in the middle of something. Wait until it is at rest, or stop it first.",
    "other_session": "Another program talks to this board. Close it, or wait a few seconds.",
    "no_such_run": "The board has no such run. List the board's runs again.",
    "not_acknowledged": "The board keeps this run until a verified copy is acknowledged. Pull it first.",
    "copy_differs": "The copy on the laptop differs from the board's run. Pull it again; nothing is lost.",
    "no_such_setting": "The board does not know this setting: its firmware is older. Install newer firmware.",
    "out_of_bounds": "The value is outside the setting's bounds.",
    "store_unreadable": "The board cannot read this run from its flash. Pull the others, then restart it.",
    "reserved_12": "The board sent a refusal that no firmware of ours sends. Install its firmware again.",
    "moving": "The shaft is turning. Let everything come to a stop first.",
    "no_session": "The board no longer knows this program's session. Try again.",
    "busy_request": "The board is still at another request. Wait until it is done.",
    "button_first": "Nobody pressed the button at the board in the last 30 s. Arm it by its button, "
    "open the throttle, then try again.",
    "unsteady": "The load is not at rest. Nobody may touch arm and hoses; let the water drain, try again.",
    "hold_button": "This setting guards people at the bench. Hold the board's button down while you set it.",
    "fault_stands": "A fault stands on the board. Put its cause right, then clear it: "
    "evenfall board clear-fault.",
    "part_missing": "A part that this needs is not fitted. Fit it, set its pin, then restart the board.",
}

COMMANDS = {
    "none": "do nothing",
    "arm": "arm the next sweep",
    "start": "start the sweep",
    "stop": "stop and release the load",
    "characterise": "measure the valve",
    "clear_fault": "clear the fault",
    "forget_learned": "forget what was learned about this bench",
    "restart": "restart the board",
}

SELF_TEST_ITEMS = {
    "load_cell": "load cell",
    "speed_pickup": "speed pickup",
    "servo": "valve servo",
    "button": "button",
    "led": "LED",
    "flash": "flash",
    "clock": "clock",
    "air": "barometer",
    "kill": "kill output",
    "memory": "memory",
    "zero": "zero of the load",
}

SELF_TEST_RESULTS = {
    "pass": "passed",
    "fail": "FAILED",
    "not_fitted": "not fitted",
    "ask_person": "look",
}

# (what the reading of an item is, its unit)
SELF_TEST_READINGS = {
    "load_cell": "samples in a second",
    "speed_pickup": "edges seen since the start",
    "servo": "µs from shut to open",
    "button": "presses since the start",
    "led": "blinks",
    "flash": "KiB free",
    "clock": "s since the start",
    "air": "Pa",
    "kill": "ms held",
    "memory": "bytes free",
    "zero": "counts between least and largest",
}

# what to do when a self-test item fails, or what to look at
SELF_TEST_ADVICE = {
    "load_cell": "Check the cell's four wires, the amplifier's supply and its data and clock wires.",
    "speed_pickup": "Turn the shaft by hand past the magnet; check gap, polarity and cable.",
    "servo": "Watch the valve lever travel from shut to open and back. Check servo supply and linkage.",
    "button": "Press and release the button once during the test; check its cable.",
    "led": "The LED should have blinked three times.",
    "flash": "Pull the stored runs, then install the firmware again.",
    "clock": "Set the clock: evenfall board clock.",
    "air": "Check the barometer's four wires, or set 'barometer' to 0 if none is fitted.",
    "kill": "The ignition must be cut while the test holds the kill output. Check its relay.",
    "memory": "Restart the board; if it fails again install the firmware again.",
    "zero": "The load was not steady: nothing may touch arm or hoses, nothing may run; then test again.",
}

# what each setting means at the bench
SETTING_MEANINGS = {
    "engine_teeth": "Teeth of the sprocket on the engine's shaft.",
    "brake_teeth": "Teeth of the sprocket on the brake's shaft, where the speed pickup sits.",
    "magnets": "Magnets that pass the speed pickup in one turn of the brake's shaft.",
    "arm_length": "From the shaft's centre to the axis of the load cell.",
    "span": "Counts of the load cell for a force of one kilonewton, from hung weights; negative if the "
    "cell is turned round.",
    "amplifier": "Load-cell amplifier: on two wires, or on the I2C bus at 320 or 80 samples a second.",
    "amplifier_gain": "Gain of the amplifier.",
    "load_limit": "Force on the load cell above which the board stops: not above the cell's rating.",
    "sweep_time": "How long the ramp takes from top speed to end speed.",
    "start_speed": "Speed at which the ramp begins; 0: the speed that the engine reaches by itself.",
    "end_speed": "Crank speed at which the ramp ends.",
    "steady_time": "How long top speed is held before the ramp.",
    "upward": "On: the sweep goes from low to high speed.",
    "learning": "On: the board learns from each sweep how its valve and water answer.",
    "servo_shut": "Pulse at which the water valve is shut.",
    "servo_open": "Pulse at which the water valve is fully open.",
    "servo_rate": "Pulses a second to the servo.",
    "servo_slew": "How quickly the valve's pulse may change.",
    "servo_deadband": "A change of the pulse up to this is not sent, for a servo that hums; 0: all are.",
    "servo_backlash": "Play of the linkage, as a change of the pulse.",
    "fail_valve": "Where the valve goes on a fault: shut, open, or it stays where it is.",
    "overspeed": "Crank speed at which the board stops the engine: not above the lowest rating on the shaft.",
    "kill_fitted": "On: the board's kill output is wired to the ignition.",
    "hall_timeout": "How long the speed pickup may be silent under load.",
    "spin_up_speed": "Crank speed above which a recording begins though nobody pressed the button.",
    "before_trigger": "How much from before the trigger is kept in a run.",
    "after_sweep": "How long the run goes on after the ramp.",
    "small_records": "With room for fewer whole runs than this, a run is recorded small: load and speed of "
    "the sweep alone. 0: never.",
    "barometer": "On: a barometer is fitted on the I2C bus.",
    "pin_load_data": "Pin of the amplifier's data.",
    "pin_load_clock": "Pin of the amplifier's clock.",
    "pin_hall": "Pin of the speed pickup.",
    "pin_servo": "Pin of the valve's servo.",
    "pin_button": "Pin of the button.",
    "pin_led": "Pin of the LED.",
    "pin_kill": "Pin of the kill output.",
    "pin_sda": "Pin of the I2C bus, data.",
    "pin_scl": "Pin of the I2C bus, clock.",
}

# said when such a setting is given another value than its default
SETTING_CAUTIONS = {
    "servo_rate": "Above 50 pulses a second only if the maker of this servo allows it: others overheat.",
    "overspeed": "Never above the lowest speed rating on the shaft: brake, sprocket, clutch, magnet.",
    "kill_fitted": "Without a kill output the board cannot stop the engine: keep your own switch in hand.",
    "fail_valve": "With another failure position a fault may leave the engine without load.",
}

STATUS_BITS = {
    "button": "button down",
    "load_ok": "load cell answers",
    "speed_ok": "speed pickup answers",
    "clock_set": "clock set",
    "air_ok": "barometer answers",
    "kill_ready": "kill output ready",
    "store_ok": "run store sound",
    "settings_ok": "settings within bounds",
    "learning": "learning on",
}

COUNTERS = {
    "load_gaps_in_run": "gaps in the load while recording",
    "load_gaps_in_store": "while runs were written (some ten for each are expected: flash stops the chip)",
    "load_gaps_at_rest": "at rest",
    "heap_after_store": "bytes of memory free after the newest run",
    "runs_not_recorded": "runs not recorded: another still waited to be stored (the shaft must stand still)",
    "runs_fit": "more runs are sure to fit",
    "records_small": "1: the next run is recorded small, room is short",
    "edges_seen": "edges of the speed pickup seen",
    "presses_seen": "presses of the button seen",
}

TRACE_BITS = {
    "valve_open_limit": "valve fully open",
    "valve_shut_limit": "valve shut",
    "slewing": "valve at its fastest",
    "in_sweep": "in the sweep",
    "speed_held_over": "speed carried over a gap",
    "load_held_over": "load carried over a gap",
}

RUN_BITS = {
    "complete": "complete",
    "acknowledged": "acknowledged",
    "truncated": "truncated",
    "aborted": "broken off",
    "unreadable": "cannot be read whole",
}


def self_test_reading(item: str, result: str, value: int) -> str:
    """`80 samples in a second`; empty for a part that is not fitted."""
    return "" if result == "not_fitted" else f"{value:,} {SELF_TEST_READINGS.get(item, '')}".rstrip()


def say(table: dict[str, str], name: str) -> str:
    """The sentence for `name`; the bare name when a newer board sent one not known here."""
    return table.get(name, name)
