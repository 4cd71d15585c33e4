"""The life of one run: begun, ended with its verdict, written to flash."""

from array import array

from evenfall_wire.settings import SETTINGS

from . import FIRMWARE
from .drivers import ticks
from .native import const
from .settings import NAME, NUMBER
from .states import EVENT, REASON, TRIGGER, VERDICT

_ZERO_AGE_MS = const(120000)  # an older zero is dated so far back: tick differences end at 134 s
_ZERO_MS = const(8000)  # longest wait for a standstill after a sweep
_LOST_SHARE = const(50)  # a sweep that lost more than this part of its load samples is poor
_COLLECT = const(1)  # as in app.py
_LOSSES = const(5)  # counts at the end of a verdict

HOST = TRIGGER("host")
# places in the head of the message "verdict"
_VERDICT = const(0)
_REASON = const(1)
_START_TICK = const(2)
_END_TICK = const(3)
_FIELDS = const(10)  # before the counts of what was lost
_LOAD_SAMPLES = const(0)  # place in those counts
_U16 = const(65535)
NONE, ABORTED = VERDICT("none"), VERDICT("aborted")


class RunRecord:
    """`recording` while the recorder runs; `verdict`: head of the run that waits to be stored, or None."""

    def __init__(self, hardware, clock, recorder, standstill, speed, store, starts):
        self._hardware, self._clock, self._recorder = hardware, clock, recorder
        self._standstill, self._speed, self._store, self._starts = standstill, speed, store, starts
        self.recording = True
        self.verdict = None
        self.reason = 0
        self.missed = 0  # runs since the last one that were not recorded
        self._trigger = 0
        self._small = False  # this run becomes a small record
        # filled anew, never made anew: they would lie in the heap's largest free block
        self._before = [0] * _LOSSES
        self._started = array("I", (0,))

    def event(self, name, value):
        self._recorder.events.put3(ticks.now(), EVENT(name), value)

    def read_air(self):
        """Take a reading of the barometer into the record, if there is one."""
        if self._hardware.read_air():
            self._put_air(ticks.now())

    def _put_air(self, tick):
        pressure, temperature, humidity = self._hardware.air
        if pressure:
            self._recorder.air.put4(tick, pressure, temperature, humidity)

    def begin(self, trigger, before_ms):
        """A run starts here, the `before_ms` before it included."""
        now = ticks.now()
        recorder = self._recorder
        recorder.begin(ticks.before(now, before_ms))
        recorder.zeros.clear()
        if self._standstill.blocks:
            age = min(self._clock.uptime_ms - self._standstill.taken_ms, _ZERO_AGE_MS)
            zero = self._standstill.zero
            recorder.zeros.put4(ticks.before(now, age), zero.mean_x16, zero.spread, zero.samples)
        self._put_air(now)
        self._trigger = trigger
        self.reason = 0
        for i, count in enumerate(self._losses()):
            self._before[i] = count
        self._started[0] = self._clock.unix_s()
        self.event("trigger", trigger)
        if self.missed:
            self.event("not_recorded", self.missed)
            self.missed = 0
        self._small = self._store.small
        if self._small:
            self.event("small_record", self._store.fits)

    def _losses(self):
        return self._hardware.losses() + (self._speed.missed, self._speed.extra)

    def end(self, state, sweep, broken_off):
        """Recording ends in `state`: the rings are kept as they are until they are on flash."""
        self.recording = False
        verdict = VERDICT("recorded")
        head = [0] * _FIELDS
        if state == "record":
            self.reason = REASON("no_button")
        else:
            head = list(sweep.verdict())
            if state != "characterise":
                verdict = head[_VERDICT]
        if broken_off:
            verdict = ABORTED
            if not self.reason or self.reason == REASON("no_button"):
                self.reason = REASON("fault")
        elif self.reason and self.reason != REASON("no_button"):
            verdict = ABORTED
        recorder = self._recorder
        if recorder.lost_since_begin() and not broken_off:
            # the newest records are kept; a judged sweep that is still whole keeps its verdict
            first = recorder.loads.tick(0)
            if state == "record" or ticks.diff(sweep.sweep_start_tick, first) < 0:
                self.reason = REASON("buffer_full")
        lost = [now - before for now, before in zip(self._losses(), self._before)]
        if NONE < verdict < ABORTED and lost[_LOAD_SAMPLES] * _LOST_SHARE > recorder.loads.used:
            verdict = VERDICT("poor")  # the processor is too slow for its amplifier
            self.reason = REASON("samples_lost")
        head[_VERDICT] = verdict
        if self.reason:
            head[_REASON] = self.reason
        for count in lost:
            head.append(min(max(count, 0), _U16))
        self.event("verdict", verdict)
        self.event("uptime", self._clock.uptime_ms // 1000)
        self.verdict = tuple(head)

    def suits_learning(self):
        """True when the controller may learn from this run: a judged sweep, or the valve's measuring."""
        measured = self.verdict[_VERDICT] == VERDICT("recorded") and self._trigger == HOST
        return measured or NONE < self.verdict[_VERDICT] < ABORTED

    def write(self, settings, learned, take_zero, spun_up_again):
        """Generator: wait for a standstill to take the zero again, unless `spun_up_again()`; then write.

        Yields _COLLECT where the heap is to be collected before it goes on.  Raises OSError.
        """
        standstill = self._standstill
        block = standstill.blocks
        until = self._clock.uptime_ms + _ZERO_MS
        if take_zero:
            while self._clock.uptime_ms < until and standstill.blocks < block + 2 and not spun_up_again():
                yield  # the first block may have begun before the brake stood still
            if standstill.blocks >= block + 2:
                zero = standstill.zero
                self._recorder.zeros.put4(zero.tick, zero.mean_x16, zero.spread, zero.samples)
        self.read_air()
        if self._small:
            first = last = 0
            if NONE < self.verdict[_VERDICT] < ABORTED:  # it was judged
                first, last = self.verdict[_START_TICK], self.verdict[_END_TICK]
            self._recorder.shrink(first, last)
        # garbage has filled the heap's gaps: what is made now and stays would split the largest free block
        yield _COLLECT
        run = {
            "board_uid": (self._hardware.uid + bytes(8))[:8],
            "firmware": (FIRMWARE + bytes(16))[:16],
            "boot_count": self._starts.count,
            "started_unix_s": self._started[0],
            "trigger": self._trigger,
            "settings": [(s[NUMBER], settings[s[NAME]]) for s in SETTINGS],
            "learned": [(slot, learned[slot]) for slot in sorted(learned)],
            "recorder": self._recorder,
            "verdict": self.verdict,
            "complete": True,
        }
        for _ in self._store.write(run):
            yield

    def forget(self):
        """The run is on flash, or could not be put there: record again."""
        self._recorder.clear()
        self.recording = True
        self.verdict = None
