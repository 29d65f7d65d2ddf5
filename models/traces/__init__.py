"""Peaks in recorded detector signals: baseline, finding, shape.

Imports column (programs) alone.
"""
