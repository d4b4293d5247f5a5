"""Tables that somebody sends: read by columns, shown before they are saved, saved at once, and undone at once.

A kind of rows is one `ImportKind`: its columns, what its rows would change, how they are saved. Everything else is
the same for all of them.
"""
