"""`const` and `micropython` for its decorator `@micropython.native`: machine code, and no frame on the heap.

The name alone tells the compiler; in CPython (tests, studies) the decorator does nothing.
"""

try:
    import micropython
    from micropython import const
except ImportError:

    def const(value):  # type: ignore[misc]
        return value

    class micropython:  # type: ignore[no-redef]  # noqa: N801
        @staticmethod
        def native(function):
            return function
