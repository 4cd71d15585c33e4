"""Hash of all tables; made by protocol/refresh.py, told in board_info."""

TABLE_HASH = 0x4B7C72A7
