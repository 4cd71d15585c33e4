"""Hash of all tables; made by protocol/refresh.py, told in board_info."""

TABLE_HASH = 0x8E81640F
