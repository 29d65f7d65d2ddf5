"""From scouting runs to the parameters of each compound: the fit, its diagnosis, peaks with a wrong name or none.

Imports column and peaks.
"""
