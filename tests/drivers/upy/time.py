"""Time that a test moves by hand; shadows the interpreter's own."""

us = 0


def ticks_us():
    return us & 0x3FFFFFFF


def sleep_us(n):
    global us
    us += n


def sleep_ms(n):
    sleep_us(n * 1000)
