"""From scouting runs to the parameters of each compound: the fit, its diagnosis, peaks that bear a wrong name or none.

Imports column and peaks.
"""
