"""The search for the shortest program: families, starts, descent, rounding, Pareto front, a study that workers share.

Imports base to goal.
"""
