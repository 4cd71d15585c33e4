"""`const` and `micropython` for its decorators `native` and `viper`: machine code, and no frame on the heap.

The names alone tell the compiler, and so do `ptr16` and `ptr32` in a viper function's parameters;
in CPython (tests, studies) the decorators do nothing.
"""

import sys

try:
    import micropython
    from micropython import const

    ptr16 = ptr32 = int
    WORD_BITS = 64 if sys.maxsize >> 32 else 32  # of a viper int
except ImportError:

    def const(value):  # type: ignore[misc]
        return value

    class micropython:  # type: ignore[no-redef]  # noqa: N801
        @staticmethod
        def native(function):
            return function

        viper = native

    ptr16 = ptr32 = object
    WORD_BITS = 32  # an int here has its sign


def forget(name):
    """Give the heap back what module `name` of this package takes; it is loaded again when it is imported."""
    if sys.implementation.name == "micropython":
        package = __name__.split(".")[0]
        del sys.modules[package + "." + name]
        delattr(sys.modules[package], name)
