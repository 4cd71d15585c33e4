"""Wires the parts together and runs the main loop.

The heap: files are read first, while it is empty; then everything that stays is made, the rings last, around
one hole that is kept free in one piece (recorder.HOLE).  Files opened later, answers and the self-test's
rows live in that hole, so that the board never depends on how its free bytes lie.

One pass: drain the two FIFOs, one control step for each load sample, link; every
8 ms faults, button, LED, and the link of a sweep; watchdog, then sleep to the next 2 ms.  What happens
at each load sample (`_sample`) allocates nothing.
"""

import gc
import time
from array import array

import machine
from evenfall_wire import codes
from evenfall_wire.settings import BY_NAME, SETTINGS

from . import FIRMWARE, guard, selftest
from .drivers import reset, ticks
from .drivers.button import Button
from .drivers.kill import Kill
from .drivers.led import Led
from .drivers.servo import Servo
from .guard import Guard
from .link import Link
from .native import const, micropython
from .recorder import HOLE, Recorder, run_seconds
from .sensing import Speed, Torque, Zero
from .settings import GROUP, NAME, NUMBER, Learned, Settings, Starts, needs_restart
from .states import BUSY, CONTROLLED, step
from .store import Store
from .sweep import DONE, RAMP, HOLD, RELEASE, Sweep

PASS_US = const(2000)
BUSY_MS = const(16)  # a pass that took longer was busy (flash, a collection), not listening to the cell
ROUND_MS = const(8)  # what a person or a fault's time limit does not need at every pass comes this often
WATCHDOG_MS = 3000
SUPPLY_PIN = 29  # a third of the board's supply, on boards that have it
FRESH_MS = 1000  # after a start: what turns then turned before, so the board had lost its supply
ALLOW_MS = 500  # of standstill
PRESS_MS = 30000  # so long after a press that armed the board a host may start a sweep
STILL_MS = const(1000)  # without an edge before a zero is taken: the brake still coasts and drains
ZERO_MS = 8000  # longest wait for a standstill after a sweep
ZERO_AGE_MS = 120000  # an older zero is dated so far back: tick differences end at 134 s
SETTLE_MS = 1000  # a speed that stays within 1.5 % for so long is the top speed
RELEASED_MS = 1000  # of standstill in the release: it is over
STUCK_MS = 1500  # armed and so long under the speed that a sweep needs: the valve closes, in as long again
MIN_RECORD_MS = 4000  # a shorter spin of the brake is no run: not kept
TURNING_HALF_RPM = 600
LOST_SHARE = 50  # a run that lost more than this part of its load samples is poor
WARM_HALF_RPM = 1000  # above this the valve leaves its shut end, so that a throttle meets some load;
# with the shaft at rest it stays shut: a standing brake drains hardly, and a full one stalls the engine

EVENT = {name: i for i, name in enumerate(codes.EVENTS)}
STATE = {name: i for i, name in enumerate(codes.STATES)}
VERDICT = {name: i for i, name in enumerate(codes.VERDICTS)}
REASON = {name: i for i, name in enumerate(codes.REASONS)}
TRIGGER = {name: i for i, name in enumerate(codes.TRIGGERS)}
FAULT = {name: i for i, name in enumerate(codes.FAULTS)}
HELD_SPEED = 1 << codes.TRACE_BITS.index("speed_held_over")
GAPS_IN_RUN, GAPS_IN_STORE, GAPS_AT_REST, HEAP, NOT_RECORDED = range(5)  # places in codes.COUNTERS
BIT = {name: 1 << i for i, name in enumerate(codes.STATUS_BITS)}


class Board:
    def __init__(self):
        self.settings = Settings()
        self.settings.load()
        s = self.settings.values
        # what keeps people safe comes first
        self.kill = Kill(s["pin_kill"]) if s["kill_fitted"] and s["pin_kill"] >= 0 else None
        self.led = Led(s["pin_led"]) if s["pin_led"] >= 0 else None
        self.servo = Servo(s) if s["pin_servo"] >= 0 else None
        self.button = Button(s["pin_button"]) if s["pin_button"] >= 0 else None
        self.learned = Learned()
        self.learned.load()
        self.starts = Starts()
        self.store = Store(self.starts)
        try:
            self.starts.load()
            self.store.open()
        except OSError:
            self.store.ok = False
        self.amp = self.hall = self.barometer = None
        self._open_sensors(s)
        self.speed = Speed(s)
        self.torque = Torque(s)
        self.zero = Zero(self.torque.limit_count)
        self.guard = Guard(s, self.amp.nominal_hz if self.amp else 80)
        self.sweep = Sweep(s, self.learned.values)
        self.link = Link(self)
        gc.collect()
        hole = bytearray(HOLE)
        self.recorder = Recorder(s, self.amp.nominal_hz if self.amp else 80, gc.mem_free() + HOLE)
        del hole  # it stays free in one piece: what is small fits into the gaps before it
        self.recording = True
        try:
            self._supply = machine.ADC(SUPPLY_PIN)
        except (ValueError, OSError):
            self._supply = None
        if SUPPLY_PIN in [s[e[NAME]] for e in SETTINGS if e[GROUP] == "pins"]:
            self._supply = None

        self.uid = machine.unique_id()
        self.state = "start"
        self.quiet = False  # the link must stay so: as busy()
        self.fault = 0
        self.uptime_ms = 0
        self.clock_set = False
        self._unix_s = array("I", (0, 0))  # at uptime 0, at the run's begin: too large for small integers
        self.presses = 0
        self._measure_next = False  # armed to measure the valve
        self._press_ms = -PRESS_MS  # uptime of the press that armed the board, while nothing undid it
        self.edges_seen = 0
        self.load_samples = 0
        self.load_count = 0
        self.torque_mNm = 0
        self.air = [0, 0, 0]  # filled anew, never made anew: it would lie in the heap's hole
        self._air_ms = 0
        self._load_ms = 0  # since the last sample
        self._held_us = None
        self.kill_held = False  # by the self-test
        self._heap = 0

        # every attribute is made here: a new one made in the tick would allocate
        self._found = 0  # fault seen in this pass
        self._zero_done = False
        self._restart_in_ms = 0
        self._control = False  # the controller has the valve
        self._characterising = False
        self._phase = DONE
        self._zero_block = 0  # counts finished blocks of standstill
        self._zero_ms = 0  # uptime of the last one
        self._zero_wanted = False
        self._still_ms = 0
        self._trigger = 0
        self._reason = 0
        self._since_ms = 0  # in this state
        self._round_ms = 0  # since the last whole round
        self._peak_ms = 0
        self._settled_ms = 0
        self._stuck_ms = 0  # armed, turning, and too slow for a sweep
        self._settled_at = 0
        self._counters = [0, 0, 0, 0, 0]  # likewise
        self._missed = self._missed_ms = 0  # runs that were not recorded, and how long one has lasted
        self._overruns = 0
        self._edge_overruns = 0
        self.counters = [0] * len(codes.COUNTERS)
        self._writer = None
        self._pending = None  # verdict head of a run that waits to be stored

    def _open_sensors(self, s):
        bus = None
        if s["amplifier"] or s["barometer"]:
            from .drivers.i2c_bus import open_bus

            bus = open_bus(s)
        if s["amplifier"]:
            from .drivers.i2c_amplifier import I2cAmplifier

            self.amp = I2cAmplifier(s, bus)
        elif s["pin_load_data"] >= 0 and s["pin_load_clock"] >= 0:
            from .drivers.load_cell import LoadCell

            self.amp = LoadCell(s)
        if s["pin_hall"] >= 0:
            from .drivers.hall import Hall

            self.hall = Hall(s)
        if s["barometer"]:
            from .drivers.barometer import Barometer

            self.barometer = Barometer(bus)

    # --- start ---

    def start(self):
        """Check what can be checked; afterwards the board is at rest or safe."""
        if self.amp:
            self.amp.start()
        if self.hall:
            self.hall.start()
        if self.barometer and not self.barometer.start():
            self.barometer = None
        self.read_air()
        fault = 0
        if reset.by_watchdog():
            fault = FAULT["watchdog"]
        elif not self.store.ok:
            fault = FAULT["store_damaged"]
        elif self.settings.problems:
            fault = FAULT["settings_bad"]
        elif not self.store.make_room(self.recorder.worst_bytes()):
            fault = FAULT["flash_full"]
        elif self.recorder.seconds < run_seconds(self.settings.values):
            # this heap does not hold such a run: a shorter sweep or a slower amplifier would fit
            self.settings.problems.append("sweep_time")
            fault = FAULT["settings_bad"]
        gc.collect()
        self.counters[HEAP] = self._heap = gc.mem_free()
        if fault:
            self.raise_fault(fault)
        if self.state == "start":
            self._go("checked")

    # --- what others ask ---

    def busy(self):
        """True while the link must stay quiet."""
        return self.quiet

    def state_number(self):
        return STATE[self.state]

    def turning(self):
        return self.speed.half_rpm > TURNING_HALF_RPM

    def unix_s(self):
        return self._unix_s[0] + self.uptime_ms // 1000 if self.clock_set else 0

    def set_clock(self, unix_s):
        self._unix_s[0] = unix_s - self.uptime_ms // 1000
        self.clock_set = True
        self._event("clock_set", unix_s & 0x7FFFFFFF)

    def status(self):
        """Fields of the status message."""
        s, store, amp, hall = self.settings.values, self.store, self.amp, self.hall
        if self.state not in CONTROLLED:
            self._heap = gc.mem_free()
        flags = BIT["learning"] if s["learning"] else 0
        if self.button and self.button.down:
            flags |= BIT["button"]
        if amp and self._load_ms <= guard.SILENT_MS:
            flags |= BIT["load_ok"]
        if hall and self.speed.half_rpm > 0:
            flags |= BIT["speed_ok"]
        if self.clock_set:
            flags |= BIT["clock_set"]
        if self.barometer and self.air[0]:
            flags |= BIT["air_ok"]
        if self.kill and self.kill.ready:
            flags |= BIT["kill_ready"]
        if store.ok:
            flags |= BIT["store_ok"]
        if not self.settings.problems:
            flags |= BIT["settings_ok"]
        return (
            STATE[self.state],
            self.fault,
            flags,
            ticks.now(),
            self.speed.half_rpm,
            min(max(self.sweep.set_half_rpm, 0), 65535) if self._control else 0,
            self.load_count,
            self.torque.zero,
            self.torque_mNm,
            self.servo.us if self.servo else 0,
            store.unacknowledged(),
            min(store.free // 1024, 65535),
            self._heap,
            self.uptime_ms // 1000,
            self.unix_s(),
            self.air[0],
            self.air[1],
            self.air[2],
            min(amp.overruns if amp else 0, 65535),
            min(amp.bad_words if amp else 0, 65535),
            min(hall.overruns if hall else 0, 65535),
            min(self.link.bad, 65535),
            min(self.link.unknown, 65535),
            store.last_run(),
        )

    def change_settings(self, pairs):
        """(error name, number); with "none" the number is 1 when a restart is needed for some."""
        if self.turning():
            return "moving", 0
        gc.collect()  # so that the new values lie in a gap, not in the hole
        error, number = self.settings.change(pairs, self.button and self.button.down)
        if error != "none":
            return error, number
        s = self.settings.values
        self.speed.configure(s)
        self.torque.configure(s)
        self.zero.configure(self.torque.limit_count)
        self.guard.configure(s)
        if self.servo:
            self.servo.limits(s)
        self.sweep = Sweep(s, self.learned.values)
        if self.fault == FAULT["settings_bad"]:
            self._clear()
        restart = 0
        for number, _ in pairs:
            if needs_restart(number):
                restart = 1
        return "none", restart

    def command(self, name, argument):
        """Do a host's command; (error name, detail)."""
        state = self.state
        if name == "stop":
            if state in ("steady", "sweep", "characterise"):
                self._stop("stopped_by_host")
            elif state == "ready":
                self._go("disarm")
            return "none", 0
        if name == "arm":
            return self._arm() if state == "rest" else ("busy_state", STATE[state])
        if name in ("start", "characterise"):
            if state == "ready" and name == "characterise" and not self._spun_up():
                self._measure_next = True  # the person's throttle starts it, in place of a sweep
                return "none", 0
            if state == "ready" and self._spun_up():
                if self.uptime_ms - self._press_ms >= PRESS_MS:
                    return "button_first", PRESS_MS // 1000
                return self._begin(TRIGGER["host"], "begin" if name == "start" else name)
            return "busy_state", STATE[state]
        if name == "clear_fault":
            if self.turning():
                return "moving", 0
            self._clear()
            return "none", self.fault
        if state not in ("rest", "safe"):
            return "busy_state", STATE[state]
        if name == "forget_learned":
            if self.turning():
                return "moving", 0
            try:
                self.learned.forget()
            except OSError:
                return "store_unreadable", 0
            self.sweep = Sweep(self.settings.values, self.learned.values)
            return "none", 0
        if name == "restart":
            if self.turning():
                return "moving", 0
            self._restart_in_ms = 200
            return "none", 0
        return "unknown_request", 0

    def ask_zero(self):
        self._zero_wanted = True
        self.zero.restart()

    def zero_taken(self):
        return not self._zero_wanted

    def self_test(self):
        return selftest.run(self)

    def hold_valve(self, us):
        """The self-test has the valve; None gives it back."""
        self._held_us = us

    def room_changed(self):
        """After an acknowledgement or a removal: is there room for a run again?"""
        try:
            room = self.store.make_room(self.recorder.worst_bytes())
        except OSError:
            return
        if room and self.fault == FAULT["flash_full"]:
            self._clear()

    def read_air(self):
        if self.barometer and self.barometer.read():
            b = self.barometer
            self.air[0], self.air[1], self.air[2] = b.pressure, b.temperature, b.humidity
            self.recorder.air.put4(ticks.now(), b.pressure, b.temperature, b.humidity)

    def show(self):
        if self.led:
            self.led.show(self.state, guard.blinks(self.fault) if self.fault else 0)

    # --- states ---

    def _event(self, name, value):
        self.recorder.events.put3(ticks.now(), EVENT[name], value)

    def _go(self, event):
        """Follow the table; False when it does not allow `event` now."""
        new = step(self.state, event)
        if new is None:
            return False
        self.state = new
        self.quiet = new in BUSY
        self._since_ms = 0
        self._settled_ms = 0
        self._event("state", STATE[new])
        self.show()
        return True

    def _spun_up(self):
        return self.speed.half_rpm > self.settings.values["spin_up_speed"] * 2

    def _again(self):
        """Speed rises again after a sweep: somebody is in a hurry."""
        return self._since_ms > 2000 and self._spun_up()

    def _may_sweep(self):
        """None, or the (error, detail) that keeps a sweep from starting."""
        if self.fault:
            if self.settings.problems and self.settings.problems[0]:
                return "out_of_bounds", BY_NAME[self.settings.problems[0]][0]
            return "busy_state", STATE[self.state]
        if not (self.servo and self.hall and self.amp):
            return "busy_state", STATE[self.state]
        return None

    def _arm(self):
        no = self._may_sweep()
        if no:
            return no
        self._measure_next = False
        self._go("arm")
        return "none", 0

    def _begin(self, trigger, event="begin"):
        """A sweep, or the run that measures the valve, begins now: the controller gets the valve."""
        no = self._may_sweep()
        if no:
            return no
        if self._measure_next and self.state == "ready":
            event = "characterise"
        if event == "characterise":
            trigger = TRIGGER["host"]
        self._begin_record(trigger)
        self._go(event)
        self.sweep.begin(ticks.now(), self.speed.half_rpm, self.servo.us)
        self._characterising = event == "characterise"
        if self._characterising:
            self.sweep.characterise_begin()
        self._phase = HOLD
        self._control = True
        self.guard.sweep_begins()
        return "none", 0

    def _begin_record(self, trigger):
        """A run starts here, its pre-trigger part included."""
        now = ticks.now()
        before_ms = self.settings.values["before_trigger"]
        recorder = self.recorder
        recorder.begin(ticks.before(now, before_ms))
        recorder.zeros.clear()
        if self._zero_block:
            age = min(self.uptime_ms - self._zero_ms, ZERO_AGE_MS)
            zero = self.zero
            recorder.zeros.put4(ticks.before(now, age), zero.mean_x16, zero.spread, zero.samples)
        if self.air[0]:
            recorder.air.put4(now, self.air[0], self.air[1], self.air[2])
        self._trigger = trigger
        self._reason = 0
        for i, count in enumerate(self._count()):
            self._counters[i] = count
        self._unix_s[1] = self.unix_s()
        self._event("trigger", trigger)
        if self._missed:
            self._event("not_recorded", self._missed)
            self._missed = 0

    def _count(self):
        amp, hall = self.amp, self.hall
        return (
            amp.overruns if amp else 0,
            amp.bad_words if amp else 0,
            hall.overruns if hall else 0,
            self.speed.missed,
            self.speed.extra,
        )

    def _stop(self, reason):
        self._reason = REASON[reason]
        self.sweep.abort(self._reason)
        self._phase = self.sweep.phase
        self._go("stop")

    def raise_fault(self, fault):
        """Do what the table of faults says.

        The first fault stands until it is cleared, unless a more serious one follows.
        """
        if self.fault and guard.severity(fault) <= guard.severity(self.fault):
            return
        self.fault = fault
        self._event("fault", fault)
        action = guard.action(fault)
        if action == "kill" and self.kill:
            self.kill.cut()
        if action == "end" and self._control:
            self._stop(codes.FAULTS[fault] if fault == guard.TOP_SPEED_NOT_HELD else "fault")
            self._reason = REASON["top_speed_not_held"]
        elif action != "note":
            if self._control:
                self._control = False
                if self.recording:  # a sweep that had come to its end keeps its verdict
                    self._finish_run(self._phase < RELEASE)
            elif self.state == "record":
                self._finish_run(True)
            self._fail_valve()
            self._go("fault")
        self.show()

    def _fail_valve(self):
        s = self.settings.values
        if self.servo and s["fail_valve"] != 2:
            self.servo.move(s["servo_open"] if s["fail_valve"] == 1 else s["servo_shut"])

    def _clear(self):
        """Clear a fault; what is still wrong is found again.

        Not while the shaft turns: the valve that a fault has opened may be all that holds the engine.
        """
        if self.state not in ("safe", "rest", "ready") or self.turning():
            return
        self.fault = 0
        self.guard.reset()
        self._load_ms = 0
        if self.state == "safe" and not self._pending:
            self._go("clear")
        if not self.store.ok:
            self.raise_fault(FAULT["store_damaged"])
        elif self.settings.problems:
            self.raise_fault(FAULT["settings_bad"])
        else:
            self._look_for_room()
        self.show()

    def _finish_run(self, broken_off):
        """Recording ends: the rings are kept as they are until they are on flash."""
        self.recording = False
        verdict = VERDICT["recorded"]
        head = [0] * 10
        if self.state == "record":
            self._reason = REASON["no_button"]
        else:
            head = list(self.sweep.verdict())
            if self.state != "characterise":
                verdict = head[0]
        if broken_off:
            verdict = VERDICT["aborted"]
            if not self._reason or self._reason == REASON["no_button"]:
                self._reason = REASON["fault"]
        elif self._reason and self._reason != REASON["no_button"]:
            verdict = VERDICT["aborted"]
        recorder = self.recorder
        if recorder.lost_since_begin() and not broken_off:
            # the newest records are kept; a judged sweep that is still whole keeps its verdict
            first = recorder.loads.tick(0)
            if self.state == "record" or ticks.diff(self.sweep.sweep_start_tick, first) < 0:
                self._reason = REASON["buffer_full"]
        now = self._count()
        if VERDICT["none"] < verdict < VERDICT["aborted"]:
            if (now[0] - self._counters[0]) * LOST_SHARE > recorder.loads.used:
                verdict = VERDICT["poor"]  # the processor is too slow for its amplifier
                self._reason = REASON["samples_lost"]
        head[0] = verdict
        if self._reason:
            head[1] = self._reason
        for i in range(5):
            head.append(min(max(now[i] - self._counters[i], 0), 65535))
        self._event("verdict", verdict)
        self._pending = tuple(head)

    def _store_run(self):
        """Generator: wait for a standstill to take the zero again, then write."""
        block = self._zero_block
        until = self.uptime_ms + ZERO_MS
        if self.amp and not self.fault:
            while self.uptime_ms < until and self._zero_block < block + 2 and not self._again():
                yield  # the first block may have begun before the brake stood still
            if self._zero_block >= block + 2:
                zero = self.zero
                self.recorder.zeros.put4(zero.tick, zero.mean_x16, zero.spread, zero.samples)
        self.read_air()
        # garbage has filled the heap's gaps: what is made now and stays would lie in the middle of the hole
        gc.collect()
        yield
        values = self.settings.values
        learned = self.learned.values
        run = {
            "board_uid": (self.uid + bytes(8))[:8],
            "firmware": (FIRMWARE + bytes(16))[:16],
            "boot_count": self.starts.count,
            "started_unix_s": self._unix_s[1],
            "trigger": self._trigger,
            "settings": [(s[NUMBER], values[s[NAME]]) for s in SETTINGS],
            "learned": [(slot, learned[slot]) for slot in sorted(learned)],
            "recorder": self.recorder,
            "verdict": self._pending,
            "complete": True,
        }
        for _ in self.store.write(run):
            yield
        recorded = self._pending[0] == VERDICT["recorded"] and self._trigger == TRIGGER["host"]  # the valve
        if recorded or VERDICT["none"] < self._pending[0] < VERDICT["aborted"]:
            pairs = self.sweep.learn()
            if pairs:
                gc.collect()  # its table may grow: into a gap
                yield
                self.learned.store(pairs)
                self._event("learned", len(pairs))
                yield
        # What the next run needs is made ready here, so that its beginning costs nothing.  The old controller
        # goes first: the new one takes its place on the heap, and the hole stays whole.
        self.sweep = None
        gc.collect()
        self.sweep = Sweep(values, learned)
        self.counters[HEAP] = gc.mem_free()

    def _stored(self):
        """The run is on flash, or could not be put there: record again."""
        recorder = self.recorder
        for ring in (
            recorder.loads,
            recorder.edges,
            recorder.trace,
            recorder.events,
            recorder.air,
            recorder.zeros,
        ):
            ring.clear()
        self.recording = True
        self._pending = None
        self._writer = None
        self._load_ms = 0
        self._edge_overruns = self.hall.overruns if self.hall else 0
        self.speed.forget()
        held = guard.severity(self.fault) > 0
        self._go("stored_fault" if held else "stored")
        self._look_for_room()
        self._count_gaps(GAPS_IN_STORE)

    def _look_for_room(self):
        try:
            if not self.store.make_room(self.recorder.worst_bytes()):
                self.raise_fault(FAULT["flash_full"])
        except OSError:
            self.store.ok = False
            self.raise_fault(FAULT["store_damaged"])

    def _count_gaps(self, counter):
        """Load samples were lost: note in what state."""
        overruns = self.amp.overruns if self.amp else 0
        self.counters[counter] += overruns - self._overruns
        self._overruns = overruns

    # --- one load sample: nothing from here to the next line of dashes allocates ---

    @micropython.native
    def _sample(self, tick, count):
        recorder = self.recorder
        self._load_ms = 0
        self.load_samples = (self.load_samples + 1) & 0x3FFFFFFF
        self.load_count = count
        speed = self.speed.update(tick)
        self.sweep.speed_tick = self.speed.mid_tick
        torque = self.torque.mNm(count)
        self.torque_mNm = torque
        if self.recording:
            recorder.loads.put2(tick, count)
        force = count - self.torque.zero
        if self.torque.minus:
            force = -force
        fault = self.guard.load(count, force, self.torque.limit_count, speed > 0)
        us = 0
        if self._control:
            sweep = self.sweep
            if self._characterising:
                us = sweep.characterise_step(tick, speed, torque)
            else:
                us = sweep.step(tick, speed, torque)
            self.servo.move(us)
            self._phase = sweep.phase
            set_speed = sweep.set_half_rpm
            if not fault:
                fault = self.guard.control_step(
                    speed, set_speed, torque, us, self._phase == HOLD, self._phase == RAMP
                )
            if self.recording and recorder.trace_due():
                if set_speed < 0:
                    set_speed = 0
                elif set_speed > 65535:
                    set_speed = 65535
                flags = sweep.flags
                if self.speed.held_over:
                    flags |= HELD_SPEED
                recorder.trace.put5(tick, set_speed, speed, us, flags)
        elif self.recording and self.servo and recorder.trace_due():
            recorder.trace.put5(tick, 0, speed, self.servo.us, 0)
        if fault:
            self._found = fault
        if self._still_ms >= STILL_MS and self.zero.take(tick, count):
            self._zero_done = True

    # --- the pass ---

    @micropython.native
    def one_pass(self, passed_ms):
        """One round of the main loop."""
        self.uptime_ms += passed_ms
        self._since_ms += passed_ms
        self._found = 0
        hall, amp, speed = self.hall, self.amp, self.speed
        if hall:
            n = hall.poll()
            edges = self.recorder.edges
            for i in range(n):
                tick = hall.tick[i]
                speed.edge(tick)
                if self.recording:
                    edges.put1(tick)
            self.edges_seen = (self.edges_seen + n) & 0x3FFFFFFF
        self._load_ms += passed_ms if passed_ms < BUSY_MS else 0  # not the cell was silent then
        if amp:
            n = amp.poll()
            for i in range(n):
                self._sample(amp.tick[i], amp.count[i])
        else:
            self._load_ms = 0
        self._round_ms += passed_ms
        if self._round_ms >= ROUND_MS or self._found or self._zero_done:
            self._round(self._round_ms)
            self._round_ms = 0
        elif self.state == "store":
            self._follow_store()
        if not self.quiet:
            self.link.poll(passed_ms)

    def _round(self, passed_ms):
        """What need not be done at every pass."""
        self._check_faults(passed_ms)
        if self._zero_done:
            self._zero_done = False
            self._took_zero()
        if self._found:
            self.raise_fault(self._found)
        self._follow(passed_ms)
        if self.button and self.button.poll(passed_ms):
            self.presses += 1
            self._pressed()
        self._valve()
        if self.quiet:
            self.link.poll(passed_ms)
        if self.led:
            self.led.poll(passed_ms)

    @micropython.native
    def _check_faults(self, passed_ms):
        """Faults that do not wait for a load sample, gaps, standstill."""
        now = ticks.now()
        half_rpm = self.speed.update(now)
        if half_rpm > 0:
            self._still_ms = 0
            self.zero.restart()
        elif self._still_ms < 100000:
            self._still_ms += passed_ms
        state = self.state
        if self.amp and self.amp.overruns != self._overruns:
            self._count_gaps(
                GAPS_IN_RUN if self.quiet else GAPS_IN_STORE if state == "store" else GAPS_AT_REST
            )
            if self.recording:
                self._event("load_gap", self._overruns & 0xFFFF)
        if self.recording:
            if self.hall and self.hall.overruns != self._edge_overruns:
                self._edge_overruns = self.hall.overruns
                self._event("edge_gap", self._edge_overruns & 0xFFFF)
        if self._found:
            return
        if state == "store":
            self._load_ms = 0  # flash stalls the chip: samples are lost then
        sweeping = self._control and self._phase < RELEASE
        releasing = self._control and not sweeping
        edge_ticks = self.hall.silent_ticks if self.hall else 0
        guard_ = self.guard
        if self._control:
            guard_.delay_ms = self.sweep.delay_ms()
        self._found = guard_.every_pass(
            half_rpm,
            self.edges_seen,
            edge_ticks,
            self._load_ms,
            self._control,
            self.torque_mNm,
            releasing,
        )
        if not self._found and self._supply:
            self._found = guard_.supply(self._supply.read_u16() * 9900 // 65535, passed_ms)
        if not self._found and self._control and not self.speed.held_over:
            # while load is laid on, the torque read lags the torque that slows the shaft down
            inertia = 0 if self._phase == HOLD else self.sweep.inertia()
            set_half_rpm = self.sweep.set_half_rpm if sweeping else 0
            self._found = guard_.breakdown(half_rpm, set_half_rpm, passed_ms, self.torque_mNm, inertia)
        if not self._found and sweeping and self._phase == HOLD:
            self._found = guard_.steady(passed_ms)
        if not self._found and self.button and self.button.stuck:
            self._found = FAULT["button_stuck"]

    def _took_zero(self):
        """A block of standstill was averaged."""
        mean = (self.zero.mean_x16 + 8) >> 4
        drift = abs(mean - self.torque.zero)
        first = self._zero_block == 0
        self._zero_block += 1
        self._zero_ms = self.uptime_ms
        # small drift is followed; more may be a weight hung on the arm
        if self._zero_wanted or first or drift < self.torque.limit_count // 1000:
            self.torque.zero = mean
            if self._zero_wanted:
                self._zero_wanted = False
                self._event("zeroed", mean)

    def _pressed(self):
        state = self.state
        self._press_ms = -PRESS_MS
        if state == "rest":
            self._arm()
            self._press_ms = self.uptime_ms
        elif state == "ready":
            if self._spun_up():
                self._begin(TRIGGER["button"])
            else:
                self._go("disarm")
        elif state == "record":
            self._begin(TRIGGER["button"])
        elif state in ("steady", "sweep", "characterise"):
            self._stop("stopped_by_button")
        elif state == "safe":
            self._clear()
        if self.fault and state == "rest":
            self._clear()

    def _follow(self, passed_ms):
        """What the state itself leads to."""
        state = self.state
        if state == "rest":
            if self.uptime_ms < FRESH_MS and self.turning() and self.recording and not self.fault:
                # what the RAM held of the run is lost; a short run on flash says so
                self._begin_record(TRIGGER["spin_up"])
                self._go("spin_up")
                self.raise_fault(guard.BROWN_OUT)
            elif self._spun_up() and self.recording and not self.fault:
                self._begin_record(TRIGGER["spin_up"])
                self._peak_ms = 0
                self._go("spin_up")
        elif state == "record":
            self._follow_record(passed_ms)
        elif state == "ready":
            self._follow_ready(passed_ms)
        elif state == "steady":
            if self._phase == RAMP:
                self._go("ramp")
            elif self._phase >= RELEASE:
                self._go("stop")
        elif state == "sweep":
            if self._phase >= RELEASE:
                self._go("end")
        elif state == "release":
            self._follow_release(passed_ms)
        elif state == "characterise":
            if self._phase == DONE:
                self._control = False
                self._finish_run(False)
                self._go("measured")
        elif state == "store":
            self._count_missed(passed_ms)
            self._follow_store()
        elif state == "safe":
            if self._pending and (not self._spun_up() or self._since_ms > 10000):
                self._go("calm")
        elif state == "start":
            self._go("checked")
        if self.state in ("rest", "ready"):
            self._air_ms += passed_ms
            if self._air_ms >= 1000:
                self._air_ms = 0
                self.read_air()
        # the ignition is allowed again only at standstill: a reset in a sweep must not start the engine anew
        if self.kill and not self.kill.ready and not self.kill_held and self._still_ms >= ALLOW_MS:
            if guard.severity(self.fault) == 0:
                self.kill.allow()
        if self._restart_in_ms:
            self._restart_in_ms -= passed_ms
            if self._restart_in_ms <= 0:
                machine.reset()

    def _follow_record(self, passed_ms):
        """Recording without a press: until the brake has spun down for a while."""
        if self._spun_up():
            self._peak_ms = self._since_ms
        elif self._since_ms - self._peak_ms >= self.settings.values["after_sweep"]:
            if self._peak_ms < MIN_RECORD_MS:
                self._go("forget")
            else:
                self._finish_run(False)
                self._go("spun_down")

    def _follow_ready(self, passed_ms):
        """Armed: begin by itself when the speed has settled well above the end speed."""
        half_rpm = self.speed.half_rpm
        if half_rpm < self.settings.values["end_speed"] * 2 + 1000 or not self._spun_up():
            self._settled_ms = 0
            if half_rpm > WARM_HALF_RPM:
                self._stuck_ms = min(self._stuck_ms + passed_ms, 2 * STUCK_MS)
            else:
                self._stuck_ms = 0
            return
        self._stuck_ms = 0
        if self._settled_ms == 0 or abs(half_rpm - self._settled_at) > half_rpm >> 6:
            self._settled_at = half_rpm
            self._settled_ms = 0
        self._settled_ms += passed_ms
        if self._settled_ms >= SETTLE_MS:
            self._begin(TRIGGER["spin_up"])

    def _follow_release(self, passed_ms):
        if self.recording and self._since_ms >= self.settings.values["after_sweep"]:
            self._finish_run(False)
        # near a standstill the controller has no speed to work with
        self._settled_ms = self._settled_ms + passed_ms if not self.turning() else 0
        if self._phase == DONE or self._settled_ms >= RELEASED_MS:
            self._control = False
            if not self.recording:
                self._go("released")

    def _count_missed(self, passed_ms):
        """The throttle is open again while a run waits that fills the memory: the new one is counted."""
        before = self._missed_ms
        self._missed_ms = before + passed_ms if self._spun_up() else 0
        if before < MIN_RECORD_MS <= self._missed_ms:
            self._missed += 1
            self.counters[NOT_RECORDED] += 1

    def _follow_store(self):
        if self.turning():
            return  # an erase stops the chip, and with it the guard: flash waits until the shaft is at rest
        if self._writer is None:
            self._writer = self._store_run()
        try:
            next(self._writer)
        except StopIteration:
            self._stored()
        except OSError:
            # full or worn: what is there stays as a truncated run, and the person is told
            self.sweep = Sweep(self.settings.values, self.learned.values)
            self._stored()
            self.store.open()
            self.raise_fault(FAULT["flash_full" if self.store.ok else "store_damaged"])

    def _valve(self):
        """The valve while the controller does not have it."""
        if self.servo is None or self._control:
            return
        s = self.settings.values
        if self._held_us is not None:
            self.servo.move(self._held_us)
        elif self.state == "safe" or guard.severity(self.fault) > 0:
            self._fail_valve()
        elif self.speed.half_rpm > WARM_HALF_RPM:
            # an engine that this load holds down is let go by and by, else it never reaches its speed
            share = STUCK_MS - max(0, self._stuck_ms - STUCK_MS) if self.state == "ready" else STUCK_MS
            self.servo.move(s["servo_shut"] + (s["servo_open"] - s["servo_shut"]) * share // (4 * STUCK_MS))
        else:
            self.servo.move(s["servo_shut"])


def run():
    """The board's life; an error ends it with the engine cut, and the watchdog starts it anew."""
    board = Board()
    board.start()
    gc.threshold(-1)  # main.py made collections frequent while programs were loaded
    board.show()
    try:
        _loop(board)
    finally:
        if board.kill:
            board.kill.cut()
        board._fail_valve()


def _loop(board):
    dog = machine.WDT(timeout=WATCHDOG_MS)
    board.store.feed_watchdog = dog.feed  # making room may erase for seconds
    last = time.ticks_us()
    rest_us = 0
    while True:
        dog.feed()
        now = time.ticks_us()
        passed = time.ticks_diff(now, last)
        last = now
        rest_us += passed
        board.one_pass(rest_us // 1000)
        rest_us %= 1000
        spent = time.ticks_diff(time.ticks_us(), now)
        if spent < PASS_US:
            time.sleep_us(PASS_US - spent)
