"""Files as they are met on disks: names, regular files only, written whole, locks that do not wait for ever.

Everything that Halocline writes goes through `whole`, everything that it opens by a name which somebody else
may have put there through `regular`.
"""
