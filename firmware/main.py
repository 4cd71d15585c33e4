import evenfall_board

if not evenfall_board.maintenance:
    import evenfall_board.sweep  # the largest first: compiling it wants the emptiest heap
    import micropython
    from evenfall_board import app

    micropython.kbd_intr(-1)  # a byte 3 in a frame is no interrupt
    app.run()
