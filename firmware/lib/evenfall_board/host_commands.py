"""What a host may ask of the board: all that the link sees of it."""

import gc
from struct import pack_into

from evenfall_wire import codes
from evenfall_wire.messages import HEAD

from . import guard, selftest
from .drivers import ticks
from .native import const
from .settings import needs_restart
from .states import FAULT, STATE, TRIGGER

PRESS_MS = 30000  # so long after a press that armed the board a host may start a sweep
_U16 = const(65535)
_RESTART_MS = const(200)  # time for the answer to leave

EDGES_SEEN, PRESSES_SEEN = [codes.COUNTERS.index(name) for name in ("edges_seen", "presses_seen")]
_UNIX_AT = const(38)  # place of unix_s in the status message
BIT = {name: 1 << i for i, name in enumerate(codes.STATUS_BITS)}


class HostCommands:
    def __init__(self, board):
        self._board = board
        self._hardware = board.hardware
        self.uid = board.hardware.uid
        self.clock = board.clock
        self.settings = board.settings
        self.learned = board.learned
        self.starts = board.starts
        self.store = board.store

    def counters(self):
        """Counts since the start, in the order of codes.COUNTERS."""
        counts = self._board.counters
        counts[EDGES_SEEN] = self._hardware.edges
        counts[PRESSES_SEEN] = self._hardware.presses
        return counts

    # --- what the board is at ---

    def busy(self):
        """True while the link must stay quiet."""
        return self._board.quiet

    def state_number(self):
        return STATE(self._board.state)

    def idle(self):
        return self._board.state in ("rest", "safe")

    def turning(self):
        return self._board.turning()

    def status(self, payload):
        """Write the status message's payload; takes nothing from the heap."""
        board = self._board
        hardware = self._hardware
        store = self.store
        air = hardware.air
        amp = hardware.amp
        pack_into(
            HEAD["status"],
            payload,
            0,
            STATE(board.state),
            board.fault,
            self._flags(),
            ticks.now(),
            board.speed.half_rpm,
            board.set_half_rpm(),
            hardware.load_count,
            board.torque.zero,
            board.torque_mNm,
            hardware.servo.us if hardware.servo else 0,
            store.unacknowledged(),
            min(store.free // 1024, _U16),
            board.heap_free,
            self.clock.uptime_ms // 1000,
            0,
            air[0],
            air[1],
            air[2],
            min(amp.overruns, _U16) if amp else 0,
            min(amp.bad_words, _U16) if amp else 0,
            min(hardware.hall.overruns, _U16) if hardware.hall else 0,
            min(board.link.bad, _U16),
            min(board.link.unknown, _U16),
            store.last_run(),
        )
        self.clock.put(payload, _UNIX_AT)

    def _flags(self):
        board, hardware = self._board, self._hardware
        flags = BIT["learning"] if self.settings.values["learning"] else 0
        if hardware.button and hardware.button.down:
            flags |= BIT["button"]
        if hardware.amp and board.load_ms <= guard.SILENT_MS:
            flags |= BIT["load_ok"]
        if hardware.hall and board.speed.half_rpm > 0:
            flags |= BIT["speed_ok"]
        if self.clock.is_set:
            flags |= BIT["clock_set"]
        if hardware.barometer and hardware.air[0]:
            flags |= BIT["air_ok"]
        if hardware.kill and hardware.kill.ready:
            flags |= BIT["kill_ready"]
        if self.store.ok:
            flags |= BIT["store_ok"]
        if not self.settings.problems:
            flags |= BIT["settings_ok"]
        return flags

    # --- what it shall do ---

    def set_clock(self, unix_s):
        self.clock.set(unix_s)
        self._board.run.event("clock_set", unix_s & 0x7FFFFFFF)

    def change_settings(self, pairs):
        """(error name, number); with "none" the number is 1 when a restart is needed for some."""
        board = self._board
        if board.turning():
            return "moving", 0
        gc.collect()  # so that the new values lie in a gap, not in the largest free block
        error, number = self.settings.change(pairs, self._hardware.button and self._hardware.button.down)
        if error != "none":
            return error, number
        board.configure()
        self.room_changed()  # more or fewer runs may fit with them
        restart = 0
        for number, _ in pairs:
            if needs_restart(number):
                restart = 1
        return "none", restart

    def command(self, name, argument):
        """Do a host's command; (error name, detail)."""
        board = self._board
        state = board.state
        busy = "busy_state", STATE(state)
        if name == "stop":
            if state in ("steady", "sweep", "characterise"):
                board.stop("stopped_by_host")
            elif state == "ready":
                board.go("disarm")
            return "none", 0
        if name in ("arm", "start", "characterise"):
            no = board.may_sweep()
            if no:
                return no
            if name == "arm":
                return board.arm() if state == "rest" else busy
            return self._begin(name) if state == "ready" else busy
        if name == "clear_fault":
            if board.turning():
                return "moving", 0
            if state not in ("safe", "rest", "ready"):
                return busy
            board.clear()
            return "none", board.fault
        if not self.idle():
            return busy
        if name not in ("forget_learned", "restart"):
            return "unknown_request", 0
        if board.turning():
            return "moving", 0
        if name == "restart":
            board.restart_in_ms = _RESTART_MS
            return "none", 0
        try:
            self.learned.forget()
        except OSError:
            return "store_unreadable", 0
        board.renew_controller()
        return "none", 0

    def _begin(self, name):
        """A sweep, or the measuring of the valve: a person's throttle or button starts it, not this."""
        board = self._board
        if board.spun_up():
            if self.clock.uptime_ms - board.press_ms >= PRESS_MS:
                return "button_first", PRESS_MS // 1000
            return board.begin(TRIGGER("host"), "begin" if name == "start" else name)
        if name == "characterise":
            board.measure_next = True  # the person's throttle starts it, in place of a sweep
            return "none", 0
        return "busy_state", STATE(board.state)

    def ask_zero(self):
        self._board.standstill.ask()

    def amplifier_missing(self):
        """The number of the setting that an amplifier would need, 0 when there is one."""
        return 0 if self._hardware.amp else self._hardware.missing()

    def load_fault(self):
        """The fault that stands, if it is of the load cell, else 0."""
        fault = self._board.fault
        return fault if fault in guard.OF_LOAD else 0

    def zero_taken(self):
        return not self._board.standstill.wanted

    def zero_count(self):
        return self._board.torque.zero

    def self_test(self):
        board = self._board
        return selftest.run(
            self._hardware, self.clock, board.standstill.zero, self.store, self.settings.values, board
        )

    def room_changed(self):
        """After an acknowledgement or a removal: is there room for a run again?"""
        try:
            room = self._board.make_room()
        except OSError:
            return
        if room and self._board.fault == FAULT("flash_full"):
            self._board.clear()
        self._board.show()
