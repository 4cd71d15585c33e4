"""The board's firmware: see DEVELOPERS.md for who does what."""

FIRMWARE = b"evenfall 0.2"  # at most 16 bytes, sent in board_info and run_header

maintenance = False  # boot.py sets it when the button is held at power-on
