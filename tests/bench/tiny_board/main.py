# A very small program for the bench's own tests: moves the servo, reads both FIFOs,
# answers lines on the serial port.
import select
import sys
import time

import micropython
from evenfall_board.drivers.programs import HALL_TIMER, PIO_HZ, load_cell_reader
from machine import ADC, PWM, WDT, Pin, reset_cause
from rp2 import StateMachine

micropython.kbd_intr(-1)
kill = Pin(10, Pin.OUT, value=1)
button = Pin(8, Pin.IN, Pin.PULL_UP)
servo = PWM(Pin(6), freq=50, duty_ns=1000000)
load = StateMachine(0, load_cell_reader(1), freq=PIO_HZ)
hall = StateMachine(4, HALL_TIMER, freq=PIO_HZ)
load.active(1)
hall.active(1)
wdt = WDT(timeout=2000)
poll = select.poll()
poll.register(sys.stdin, select.POLLIN)
line = bytearray()
loads = edges = presses = 0
code = wait = word = 0
was = 1


def answer(text):
    global wait
    if text == "state":
        print("loads", loads, "code", code, "edges", edges, "word", word, "presses", presses)
    elif text == "cause":
        print("cause", reset_cause())
    elif text.startswith("servo "):
        servo.duty_ns(int(text[6:]) * 1000)
        print("moved")
    elif text.startswith("nap "):
        time.sleep_ms(int(text[4:]))
        print("levels", load.rx_fifo(), hall.rx_fifo())
    elif text == "crash":
        raise ValueError("on purpose")
    elif text == "spin":
        while True:
            time.ticks_ms()
    elif text.startswith("write "):
        with open("/note", "w") as f:
            f.write("x" * int(text[6:]))
        print("written")
    elif text == "read":
        with open("/note") as f:
            print("note", len(f.read()))
    elif text == "supply":
        print("supply", ADC(29).read_u16())
    elif text == "ticks":
        print("ticks", time.ticks_ms(), time.ticks_us())


print("hello")
while True:
    wdt.feed()
    while load.rx_fifo() >= 2:
        wait = load.get()
        code = load.get() >> 1
        if code >= 0x800000:
            code -= 0x1000000
        loads += 1
    while hall.rx_fifo():
        word = hall.get()
        if word:
            edges += 1
    level = button.value()
    if was and not level:
        presses += 1
    was = level
    while poll.poll(0):
        byte = sys.stdin.buffer.read(1)
        if byte == b"\n":
            answer(line.decode())
            line = bytearray()
        elif byte:
            line += byte
        else:
            break
    time.sleep_us(2000)
