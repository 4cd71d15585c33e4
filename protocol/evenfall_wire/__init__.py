"""The one definition of evenfall's frames, shared by the board and the host."""
