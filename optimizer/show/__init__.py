"""Results on the screen, in pictures and on pages.

Imports base to results; pages import console and pictures, console imports no pictures.
"""
