import gc

import evenfall_board

if not evenfall_board.maintenance:
    # collect often while programs are loaded: what stays then lies low on the heap; the rest is one block
    gc.threshold(32768)
    import evenfall_board.sweep  # the largest first: compiling it wants the emptiest heap
    import micropython
    from evenfall_board import learning, native, plant_fit

    # loaded again after each run: the names that they leave lie low, and split no free block later
    del learning, plant_fit
    native.forget("learning")
    native.forget("plant_fit")
    from evenfall_board import app

    gc.collect()
    micropython.kbd_intr(-1)  # a byte 3 in a frame is no interrupt
    app.run()
