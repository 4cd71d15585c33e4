"""Button held at power-on: the board stays at the prompt for maintenance."""

import evenfall_board

try:
    from evenfall_board.drivers.button import held
    from evenfall_board.settings import Settings

    _settings = Settings()
    _settings.load()
    evenfall_board.maintenance = held(_settings.values["pin_button"])
except Exception as problem:  # the board must come up whatever is wrong with its files
    print("boot.py:", problem)
