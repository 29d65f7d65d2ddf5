"""The doors: `interface` for Python and `cli` for the command line, with what each command does between them.

Imports every room.
"""
