"""Retention times, widths and slopes of peaks in a program, their resolution and what the heat does to them.

Imports engine and column.
"""
