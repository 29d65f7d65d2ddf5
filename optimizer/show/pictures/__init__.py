"""Figures, drawn with matplotlib, which is imported only when something is drawn.

Imports base to results.
"""
