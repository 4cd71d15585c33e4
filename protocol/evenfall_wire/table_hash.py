"""Hash of all tables; made by protocol/refresh.py, told in board_info."""

TABLE_HASH = 0xFD3837F2
