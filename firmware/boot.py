"""Kill output and valve before anything else; button held at power-on: the board stays at the prompt."""

import evenfall_board

try:
    from evenfall_board.drivers.button import held
    from evenfall_board.settings import Settings

    _settings = Settings()
    _settings.load()
    evenfall_board.maintenance = held(_settings.values["pin_button"])
    if not evenfall_board.maintenance:
        from evenfall_board import first

        first.drive(_settings)
except Exception as problem:  # the board must come up whatever is wrong with its files
    print("boot.py:", problem)
