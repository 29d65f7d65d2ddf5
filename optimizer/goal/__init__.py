"""What is asked of a program and how well it does: limits, requirements, draws, prediction.

Imports base, runs and scenario.
"""
