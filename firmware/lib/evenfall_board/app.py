"""Wires the parts together; the board's states; the main loop.

The heap: files are read first, while it is empty; then everything that stays is made, the rings last, around
one block that stays free in one piece (`recorder.free_block_bytes`).  Files opened later, answers and the
self-test's rows live in that block, so that the board never depends on how its free bytes lie.

One pass: drain the two FIFOs, one control step for each load sample, link; every
8 ms faults, button, LED, and the link of a sweep; watchdog, then sleep to the next 2 ms.  What happens
at each load sample (`_sample`) allocates nothing.
"""

import gc
import time

import machine
from evenfall_wire import codes
from evenfall_wire.settings import BY_NAME

from . import first, guard, ramp_record
from .drivers import reset, ticks
from .guard import Guard
from .hardware import Clock
from .host_commands import PRESS_MS, HostCommands
from .link import Link
from .native import const, micropython
from .recorder import Recorder
from .run_record import RunRecord
from .sensing import Speed, Torque
from .settings import BootCounter, Learned, run_seconds
from .standstill import Standstill
from .states import BUSY, FAULT, REASON, STATE, TRIGGER, step
from .store import Store
from .sweep import DONE, HOLD, RAMP, RELEASE, Sweep

_PASS_US = const(2000)
_COLLECT = const(1)  # yielded by a generator of long steps: collect the heap next, in a pass of its own;
_LONG = const(2)  # the step was a long one, so that the link waits for the next pass
_BUSY_MS = const(16)  # a pass that took longer was busy (flash, a collection), not listening to the cell
_ROUND_MS = const(8)  # what a person or a fault's time limit does not need at every pass comes this often
_WATCHDOG_MS = const(3000)
_FRESH_MS = const(1000)  # after a start: what turns then turned before, so the board had lost its supply
_ALLOW_MS = const(500)  # of standstill
_AIR_MS = const(1000)  # between two readings of the barometer
_SETTLE_MS = const(1000)  # a speed that stays within 3 % for so long is near the top: the sweep finds it
_RELEASED_MS = const(1000)  # of standstill in the release: it is over
_TOO_SLOW_MS = const(1500)  # armed and so long slower than a sweep needs: the valve closes, in as long again
_CLEARED_MS = const(2000)  # so long after it has cleared a fault and armed a press does not disarm
FEW_RUNS = 3  # no more than these fit onto the flash: the LED says so at rest
_MIN_RECORD_MS = const(4000)  # a shorter spin of the brake is no run: not kept
_TURNING_HALF_RPM = const(600)
_WARM_HALF_RPM = const(1000)  # above this the valve leaves its shut end, so that a throttle meets some load;
# with the shaft at rest it stays shut: a standing brake drains hardly, and a full one stalls the engine

HELD_SPEED = 1 << codes.TRACE_BITS.index("speed_held_over")
GAPS_IN_RUN, GAPS_IN_STORE, GAPS_AT_REST, HEAP, NOT_RECORDED, RUNS_FIT, SMALL = range(7)  # in codes.COUNTERS


class Board:
    def __init__(self):  # over 60 lines: the order in which the heap is filled stands in one place
        self.settings, self.hardware = first.drive()  # boot.py has done it, unless that failed
        s, hardware = self.settings.values, self.hardware
        self.kill, self.led, self.servo, self.button = (
            hardware.kill,
            hardware.led,
            hardware.servo,
            hardware.button,
        )
        self.learned = Learned()
        self.learned.load()
        self.starts = BootCounter()
        self.store = Store(self.starts)
        try:
            self.starts.load()
            self.store.open()
        except OSError:
            self.store.ok = False
        hardware.open_sensors()
        self.amp, self.hall = hardware.amp, hardware.hall
        self.clock = Clock()
        self.speed = Speed(s)
        self.torque = Torque(s)
        self.standstill = Standstill(self.torque)
        self.guard = Guard(s, hardware.nominal_hz())
        self._record = ramp_record.new_state()
        self.sweep = Sweep(s, self.learned.values, self._record)
        self.counters = [0] * len(codes.COUNTERS)
        self.link = Link(HostCommands(self))
        gc.collect()
        free = gc.mem_free()
        # the place of the next controller, which is made while this one is still there
        spare = Sweep(s, self.learned.values, self._record)
        self.recorder = Recorder(s, hardware.nominal_hz(), free)
        del spare  # what is small fits into the gaps before the block that was free beside it
        self.run = RunRecord(
            hardware, self.clock, self.recorder, self.standstill, self.speed, self.store, self.starts
        )
        hardware.open_supply()

        self.state = "start"
        self.quiet = False  # the link must stay so: as state in BUSY
        self.fault = 0
        self.measure_next = False  # armed to measure the valve
        self.press_ms = -PRESS_MS  # uptime of the press that armed the board, while nothing undid it
        self._cleared_ms = -_CLEARED_MS  # of the press that cleared a fault
        self._arm_when_stored = False  # a press came while a run waited for the flash
        self.restart_in_ms = 0
        self.torque_mNm = 0
        self.load_ms = 0  # since the last sample
        self.heap_free = 0  # at the last look at standstill, or after a run was stored
        self.collect = (
            None  # _COLLECT: the next pass is a collection and nothing else; _LONG: this one is long
        )

        # every attribute is made here: a new one made in the tick would allocate
        self._found = 0  # fault seen in this pass
        self._control = False  # the controller has the valve
        self._characterising = False
        self._phase = DONE
        self._since_ms = 0  # in this state
        self._slow_tasks_ms = 0  # since the last whole round
        self._air_ms = 0
        self._peak_ms = 0
        self._settled_ms = 0
        self._too_slow_ms = 0  # armed, turning, and too slow for a sweep
        self._ready_top = 0  # highest speed since the shaft stood still, half rpm
        self._pulled_down = False  # and the warm valve has pulled the engine down from it
        self._settled_at = 0
        self._missed_ms = 0  # how long a run has lasted that is not recorded
        self._overruns = 0
        self._edge_overruns = 0
        self._writer = None

    # --- start ---

    def start(self):
        """Check what can be checked; afterwards the board is at rest or safe."""
        self.hardware.start()
        self.run.read_air()
        fault = 0
        room = self.store.ok and self.make_room()
        if reset.by_watchdog():
            fault = FAULT("watchdog")
        elif not self.store.ok:
            fault = FAULT("store_damaged")
        elif self.settings.problems:
            fault = FAULT("settings_bad")
        elif not room:
            fault = FAULT("flash_full")
        elif self.recorder.seconds < run_seconds(self.settings.values):
            # this heap does not hold such a run: a shorter sweep or a slower amplifier would fit
            self.settings.problems.append("sweep_time")
            fault = FAULT("settings_bad")
        gc.collect()
        self.counters[HEAP] = self.heap_free = gc.mem_free()
        if fault:
            self.raise_fault(fault)
        if self.state == "start":
            self.go("checked")

    def turning(self):
        return self.speed.half_rpm > _TURNING_HALF_RPM

    def set_half_rpm(self):
        """The controller's set point, 0 while it does not have the valve."""
        return min(max(self.sweep.set_half_rpm, 0), 65535) if self._control else 0

    def configure(self):
        """Settings have changed."""
        s = self.settings.values
        self.speed.configure(s)
        self.torque.configure(s)
        self.standstill.configure()
        self.guard.configure(s)
        if self.servo:
            self.servo.limits(s)
        self.renew_controller()
        if self.fault == FAULT("settings_bad"):
            self.clear()

    def renew_controller(self):
        """A controller with the settings and the learned values of now."""
        self.sweep = Sweep(self.settings.values, self.learned.values, self._record)

    def show(self):
        if self.led:
            few = self.state == "rest" and self.store.fits <= FEW_RUNS
            self.led.show("few_left" if few else self.state, guard.blinks(self.fault) if self.fault else 0)

    # --- states ---

    def go(self, event):
        """Follow the table; False when it does not allow `event` now."""
        new = step(self.state, event)
        if new is None:
            return False
        self.state = new
        self.quiet = new in BUSY
        self._since_ms = 0
        self._settled_ms = 0
        self.run.event("state", STATE(new))
        self.show()
        return True

    def spun_up(self):
        return self.speed.half_rpm > self.settings.values["spin_up_speed"] * 2

    def _spun_up_again(self):
        """Speed rises again after a sweep: the next one is wanted."""
        return self._since_ms > 2000 and self.spun_up()

    def may_sweep(self):
        """None, or the (error, detail) that keeps a sweep from starting."""
        if self.fault:
            if self.settings.problems and self.settings.problems[0]:
                return "out_of_bounds", BY_NAME[self.settings.problems[0]][0]
            return "fault_stands", self.fault
        missing = self.hardware.missing()
        return ("part_missing", missing) if missing else None

    def arm(self):
        no = self.may_sweep()
        if no:
            return no
        self.measure_next = False
        self.collect = _COLLECT  # here nothing is measured yet: none is due in the sweep
        self.go("arm")
        return "none", 0

    def begin(self, trigger, event="begin"):
        """A sweep, or the run that measures the valve, begins now: the controller gets the valve."""
        no = self.may_sweep()
        if no:
            return no
        if self.measure_next and self.state == "ready":
            event = "characterise"
        if event == "characterise":
            trigger = TRIGGER("host")
        self.run.begin(trigger, self.settings.values["before_trigger"])
        self.go(event)
        self.sweep.begin(ticks.now(), self.speed.half_rpm, self.servo.us)
        self._characterising = event == "characterise"
        if self._characterising:
            self.sweep.characterise_begin()
        self._phase = HOLD
        self._control = True
        self.guard.sweep_begins()
        return "none", 0

    def stop(self, reason):
        self.run.reason = REASON(reason)
        self.sweep.abort(self.run.reason)
        self._phase = self.sweep.phase
        self.go("stop")

    def raise_fault(self, fault):
        """Do what the table of faults says.

        The first fault stands until it is cleared, unless a more serious one follows.
        """
        if self.fault and guard.severity(fault) <= guard.severity(self.fault):
            return
        self.fault = fault
        self.run.event("fault", fault)
        action = guard.action(fault)
        if action == "kill" and self.kill:
            self.kill.cut()
        if action == "end" and self._control:
            self.stop(codes.FAULTS[fault] if fault == guard.TOP_SPEED_NOT_HELD else "fault")
            self.run.reason = REASON("top_speed_not_held")
        elif action != "note":
            if self._control:
                self._control = False
                if self.run.recording:  # a sweep that had come to its end keeps its verdict
                    self._end_run(self._phase < RELEASE)
            elif self.state == "record":
                self._end_run(True)
            self.hardware.fail_valve(self.settings.values)
            self.go("fault")
        self.show()

    def _end_run(self, broken_off):
        self.run.end(self.state, self.sweep, broken_off)

    def clear(self):
        """Clear a fault; what is still wrong is found again.

        Not while the shaft turns: the valve that a fault has opened may be all that holds the engine.
        """
        if self.state not in ("safe", "rest", "ready") or self.turning():
            return
        self.fault = 0
        self.guard.reset()
        self.load_ms = 0
        if self.state == "safe" and not self.run.verdict:
            self.go("clear")
        if not self.store.ok:
            self.raise_fault(FAULT("store_damaged"))
        elif self.settings.problems:
            self.raise_fault(FAULT("settings_bad"))
        else:
            self._look_for_room()
        self.show()

    def _store_run(self):
        """Generator: write the run, then learn from it and make the next one ready.

        Yields _COLLECT where the heap is to be collected before it goes on, _LONG after a long step.
        """
        values, learned = self.settings.values, self.learned.values
        for due in self.run.write(values, learned, self.amp and not self.fault, self._spun_up_again):
            yield due
        if self.run.suits_learning():
            yield _COLLECT  # the identification's series
            for due in self.sweep.measure():
                yield due
            pairs = self.sweep.learn()
            if pairs:
                yield _COLLECT  # its table may grow: into a gap
                self.learned.store(pairs)
                self.run.event("learned", len(pairs))
                yield
        # What the next run needs is made ready here, so that its beginning costs nothing, one long step each.
        # The new controller takes the place on the heap of the one before this one: no free block is split.
        yield _COLLECT
        self.counters[HEAP] = self.heap_free = gc.mem_free()  # 8 ms
        yield _LONG
        self.renew_controller()  # 18 ms
        yield _LONG

    def _stored(self):
        """The run is on flash, or could not be put there: record again."""
        self.run.forget()
        self._writer = None
        self.load_ms = 0
        self._edge_overruns = self.hall.overruns if self.hall else 0
        self.speed.forget()
        held = guard.severity(self.fault) > 0
        self.go("stored_fault" if held else "stored")
        self._look_for_room()
        self._count_gaps(GAPS_IN_STORE)
        if self._arm_when_stored:
            self._arm_when_stored = False
            self._pressed()

    def make_room(self):
        """True when there is room for a run; counts how many more are sure to fit."""
        bytes_of, store = self.recorder.worst_bytes, self.store
        room = store.make_room(bytes_of(), bytes_of(True), self.settings.values["small_records"])
        self.counters[RUNS_FIT] = store.fits
        self.counters[SMALL] = store.small
        return room

    def _look_for_room(self):
        try:
            if not self.make_room():
                self.raise_fault(FAULT("flash_full"))
        except OSError:
            self.store.ok = False
            self.raise_fault(FAULT("store_damaged"))
        self.show()

    def _count_gaps(self, counter):
        """Load samples were lost: note in what state."""
        overruns = self.amp.overruns if self.amp else 0
        self.counters[counter] += overruns - self._overruns
        self._overruns = overruns

    # --- one load sample: nothing from here to the next line of dashes allocates ---

    @micropython.native
    def _sample(self, tick, count):
        recorder = self.recorder
        self.load_ms = 0
        hardware = self.hardware
        hardware.load_samples = (hardware.load_samples + 1) & 0x3FFFFFFF
        hardware.load_count = count
        speed = self.speed.update(tick)
        self.sweep.speed_tick = self.speed.mid_tick
        torque = self.torque.mNm(count)
        self.torque_mNm = torque
        if self.run.recording:
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
            if self.run.recording and recorder.trace_due():
                if set_speed < 0:
                    set_speed = 0
                elif set_speed > 65535:
                    set_speed = 65535
                flags = sweep.flags
                if self.speed.held_over:
                    flags |= HELD_SPEED
                recorder.trace.put5(tick, set_speed, speed, us, flags)
        elif self.run.recording and self.servo and recorder.trace_due():
            recorder.trace.put5(tick, 0, speed, self.servo.us, 0)
        if fault:
            self._found = fault
        self.standstill.sample(tick, count)

    # --- the pass ---

    @micropython.native
    def one_pass(self, passed_ms):
        """One round of the main loop."""
        self.clock.uptime_ms += passed_ms
        self._since_ms += passed_ms
        self._found = 0
        hall, amp, speed = self.hall, self.amp, self.speed  # a fourth would make a tuple on the heap
        hardware = self.hardware
        if hall:
            n = hall.poll()
            edges = self.recorder.edges
            for i in range(n):
                tick = hall.tick[i]
                speed.edge(tick)
                if self.run.recording:
                    edges.put1(tick)
            hardware.edges = (hardware.edges + n) & 0x3FFFFFFF
        self.load_ms += passed_ms if passed_ms < _BUSY_MS else 0  # not the cell was silent then
        if amp:
            n = amp.poll()
            for i in range(n):
                self._sample(amp.tick[i], amp.count[i])
        else:
            self.load_ms = 0
        self._slow_tasks_ms += passed_ms
        if self._slow_tasks_ms >= _ROUND_MS or self._found or self.standstill.finished:
            self._slow_tasks(self._slow_tasks_ms)
            self._slow_tasks_ms = 0
        elif self.state == "store":
            self._follow_store()
        if self.collect == _LONG:
            self.collect = None
        elif not self.quiet:
            self.link.poll(passed_ms)

    def _slow_tasks(self, passed_ms):
        """What need not be done at every pass."""
        self._check_faults(passed_ms)
        if self.standstill.finished and self.standstill.take(self.clock.uptime_ms):
            self.run.event("zeroed", self.torque.zero)
        if self._found:
            self.raise_fault(self._found)
        self._follow(passed_ms)
        if self.button and self.button.poll(passed_ms):
            self.hardware.presses += 1
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
        self.standstill.follow(half_rpm, passed_ms)
        state = self.state
        if self.amp and self.amp.overruns != self._overruns:
            self._count_gaps(
                GAPS_IN_RUN if self.quiet else GAPS_IN_STORE if state == "store" else GAPS_AT_REST
            )
            if self.run.recording:
                self.run.event("load_gap", self._overruns & 0xFFFF)
        if self.run.recording:
            if self.hall and self.hall.overruns != self._edge_overruns:
                self._edge_overruns = self.hall.overruns
                self.run.event("edge_gap", self._edge_overruns & 0xFFFF)
        if self._found:
            return
        if state == "store":
            self.load_ms = 0  # flash stalls the chip: samples are lost then
        sweeping = self._control and self._phase < RELEASE
        releasing = self._control and not sweeping
        edge_ticks = self.hall.silent_ticks if self.hall else 0
        guard_ = self.guard
        if self._control:
            guard_.delay_ms = self.sweep.delay_ms()
            guard_.inertia = self.sweep.inertia()
        self._found = guard_.every_pass(
            half_rpm,
            self.hardware.edges,
            edge_ticks,
            self.load_ms,
            self._control,
            self.torque_mNm,
            releasing,
        )
        if not self._found and self.hardware.supply:
            self._found = guard_.supply(self.hardware.supply.read_u16() * 9900 // 65535, passed_ms)
        if not self._found and self._control:
            # while load is laid on, the torque read lags the torque that slows the shaft down
            inertia = 0 if self._phase == HOLD else self.sweep.inertia()
            set_half_rpm = self.sweep.set_half_rpm if sweeping else 0
            self._found = guard_.breakdown(
                half_rpm, set_half_rpm, passed_ms, self.torque_mNm, inertia, self.speed.held_over
            )
        if not self._found and sweeping and self._phase == HOLD:
            self._found = guard_.steady(passed_ms)
        if not self._found and self.button and self.button.stuck:
            self._found = FAULT("button_stuck")

    def _pressed(self):
        state = self.state
        now = self.clock.uptime_ms
        if state == "ready" and now - self._cleared_ms < _CLEARED_MS and not self.spun_up():
            return  # whoever presses twice, to clear and to arm, must not disarm
        self.press_ms = -PRESS_MS
        if state == "rest" or state == "safe" and not self.run.verdict:
            if self.fault:
                self.clear()
                self._cleared_ms = now
            if self.state == "rest":
                self.arm()
                self.press_ms = now
        elif state == "ready":
            if self.spun_up():
                self.begin(TRIGGER("button"))
            else:
                self.go("disarm")
        elif state == "record":
            self.begin(TRIGGER("button"))
        elif state in ("steady", "sweep", "characterise"):
            self.stop("stopped_by_button")
        elif state in ("store", "safe") and not self.turning():
            self._arm_when_stored = True  # lost here, it would leave the next sweep without a controller

    def _follow(self, passed_ms):
        """What the state itself leads to."""
        state = self.state
        if state == "rest":
            if self.clock.uptime_ms < _FRESH_MS and self.turning() and self.run.recording and not self.fault:
                # what the RAM held of the run is lost; a short run on flash says so
                self.run.begin(TRIGGER("spin_up"), self.settings.values["before_trigger"])
                self.go("spin_up")
                self.raise_fault(guard.BROWN_OUT)
            elif self.spun_up() and self.run.recording and not self.fault:
                self.run.begin(TRIGGER("spin_up"), self.settings.values["before_trigger"])
                self._peak_ms = 0
                self.go("spin_up")
        elif state == "record":
            self._follow_record(passed_ms)
        elif state == "ready":
            self._follow_ready(passed_ms)
        elif state == "steady":
            if self._phase == RAMP:
                self.go("ramp")
            elif self._phase >= RELEASE:
                self.go("stop")
        elif state == "sweep":
            if self._phase >= RELEASE:
                self.go("end")
        elif state == "release":
            self._follow_release(passed_ms)
        elif state == "characterise":
            if self._phase == DONE:
                self._control = False
                self._end_run(False)
                self.go("measured")
        elif state == "store":
            self._count_missed(passed_ms)
            self._follow_store()
        elif state == "safe":
            if self.run.verdict and (not self.spun_up() or self._since_ms > 10000):
                self.go("stopped")
        elif state == "start":
            self.go("checked")
        if self.state in ("rest", "ready"):
            self._air_ms += passed_ms
            if self._air_ms >= _AIR_MS:
                self._air_ms = 0
                self.run.read_air()
                self._tidy()
        # the ignition is allowed again only at standstill: a reset in a sweep must not start the engine anew
        if self.kill and not self.kill.ready and not self.hardware.kill_held:
            if self.standstill.ms >= _ALLOW_MS and guard.severity(self.fault) == 0:
                self.kill.allow()
        if self.restart_in_ms:
            self.restart_in_ms -= passed_ms
            if self.restart_in_ms <= 0:
                machine.reset()

    def _tidy(self):
        """Collect at standstill, when a host's questions have filled a quarter of what is free.

        Then what is left lasts through a run: none is collected there.
        """
        if not self.speed.half_rpm:
            if self.heap_free < self.counters[HEAP] - self.counters[HEAP] // 4:
                self.collect = _COLLECT
                self.heap_free = self.counters[HEAP]
            else:
                self.heap_free = gc.mem_free()  # 8 ms: here, not for each question, nor beside a collection

    def _follow_record(self, passed_ms):
        """Recording without a press: until the brake has spun down for a while."""
        if self.spun_up():
            self._peak_ms = self._since_ms
        elif self._since_ms - self._peak_ms >= self.settings.values["after_sweep"]:
            if self._peak_ms < _MIN_RECORD_MS:
                self.go("forget")
            else:
                self._end_run(False)
                self.go("spun_down")

    def _follow_ready(self, passed_ms):
        """Armed: begin by itself when the speed has settled well above the end speed."""
        half_rpm = self.speed.half_rpm
        self._note_pulled_down(half_rpm, passed_ms)
        if half_rpm < self.settings.values["end_speed"] * 2 + 1000 or not self.spun_up():
            self._settled_ms = 0
            if half_rpm > _WARM_HALF_RPM:
                self._too_slow_ms = min(self._too_slow_ms + passed_ms, 2 * _TOO_SLOW_MS)
            else:
                self._too_slow_ms = 0
            return
        if not self._pulled_down:
            self._too_slow_ms = 0
        if self._settled_ms == 0 or abs(half_rpm - self._settled_at) > half_rpm >> 5:
            self._settled_at = half_rpm
            self._settled_ms = 0
        self._settled_ms += passed_ms
        if self._settled_ms >= _SETTLE_MS:
            self.begin(TRIGGER("spin_up"))

    def _note_pulled_down(self, half_rpm, passed_ms):
        """A large valve overfills the brake even when little open: the engine pulled down is let go.

        A fifth of its opening stays, until the shaft has stood still.
        """
        if half_rpm <= _WARM_HALF_RPM:
            self._ready_top = 0
            self._pulled_down = False
        elif half_rpm > self._ready_top:
            self._ready_top = half_rpm
        elif half_rpm < self._ready_top - (self._ready_top >> 4):
            self._pulled_down = True
        if self._pulled_down:
            self._too_slow_ms = min(
                max(self._too_slow_ms, _TOO_SLOW_MS) + 4 * passed_ms, _TOO_SLOW_MS + _TOO_SLOW_MS * 4 // 5
            )

    def _follow_release(self, passed_ms):
        if self.run.recording and self._since_ms >= self.settings.values["after_sweep"]:
            self._end_run(False)
        # near a standstill the controller has no speed to work with
        self._settled_ms = self._settled_ms + passed_ms if not self.turning() else 0
        if self._phase == DONE or self._settled_ms >= _RELEASED_MS:
            self._control = False
            if not self.run.recording:
                self.go("released")

    def _count_missed(self, passed_ms):
        """The throttle is open again while a run waits that fills the memory: the new one is counted."""
        before = self._missed_ms
        self._missed_ms = before + passed_ms if self.spun_up() else 0
        if before < _MIN_RECORD_MS <= self._missed_ms:
            self.run.missed += 1
            self.counters[NOT_RECORDED] += 1

    def _follow_store(self):
        if self.turning():
            return  # an erase stops the chip, and with it the guard: flash waits until the shaft is at rest
        if self._writer is None:
            self._writer = self._store_run()
        try:
            self.collect = next(self._writer)
        except StopIteration:
            self._stored()
        except OSError:
            # full or worn: what is there stays as a truncated run, and the person is told
            self._arm_when_stored = False
            self.renew_controller()
            self._stored()
            self.store.open()
            self.raise_fault(FAULT("flash_full" if self.store.ok else "store_damaged"))

    def _valve(self):
        """The valve while the controller does not have it."""
        if self.servo is None or self._control:
            return
        s = self.settings.values
        if self.hardware.held_us is not None:
            self.servo.move(self.hardware.held_us)
        elif self.state == "safe" or guard.severity(self.fault) > 0:
            self.hardware.fail_valve(s)
        elif self.speed.half_rpm > _WARM_HALF_RPM:
            # an engine that this load holds down is let go by and by, else it never reaches its speed
            # armed, it is a small one: a brake of quick filling would hold the engine before the sweep begins
            armed = self.state == "ready"
            share = _TOO_SLOW_MS - max(0, self._too_slow_ms - _TOO_SLOW_MS) if armed else _TOO_SLOW_MS
            share = (s["servo_open"] - s["servo_shut"]) * share // ((10 if armed else 4) * _TOO_SLOW_MS)
            self.servo.move(s["servo_shut"] + share)
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
        board.hardware.fail_valve(board.settings.values)


def _loop(board):
    dog = machine.WDT(timeout=_WATCHDOG_MS)
    board.store.feed_watchdog = dog.feed  # making room may erase for seconds
    last = time.ticks_us()
    rest_us = 0
    while True:
        dog.feed()
        now = time.ticks_us()
        passed = time.ticks_diff(now, last)
        last = now
        rest_us += passed
        if board.collect == _COLLECT:
            board.collect = None
            gc.collect()  # 28 ms on an RP2040; the amplifier's FIFO holds 50
        else:
            board.one_pass(rest_us // 1000)
            rest_us %= 1000
        spent = time.ticks_diff(time.ticks_us(), now)
        if spent < _PASS_US:
            time.sleep_us(_PASS_US - spent)
