"""What a start does first: the kill output low, the valve driven; then the other two seconds of it.

boot.py comes here as soon as it has the settings, before the program is loaded.
"""

from .drivers import reset
from .hardware import Hardware
from .settings import Settings

settings = hardware = None


def drive(loaded=None):
    """Drive what keeps people safe, once: (settings, hardware).  `loaded`: settings that were read already.

    The valve is shut; after a bite of the watchdog, when the shaft may turn, it goes by `fail_valve`.
    """
    global settings, hardware
    if hardware is None:
        if loaded is None:
            loaded = Settings()
            loaded.load()
        settings = loaded
        hardware = Hardware(loaded.values)
        if reset.by_watchdog():
            hardware.fail_valve(loaded.values)
    return settings, hardware
