"""What is asked of the physics: scenarios, goals, search, report and command line.

Trade units (°C, min, mL/min, kPa gauge) live in the files read and written here; everything else is SI.
"""
