"""The board over the serial line: link, run files, firmware, wiring, texts of codes."""
