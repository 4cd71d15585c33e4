import evenfall_board

if not evenfall_board.maintenance:
    import micropython
    from evenfall_board import app

    micropython.kbd_intr(-1)  # a byte 3 in a frame is no interrupt
    app.run()
