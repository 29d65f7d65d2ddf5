"""The physics of rampwright: carrier flow, retention, migration, band broadening, fit.

SI units throughout (K, Pa absolute, s, m, m3/s); arrays have compounds on their last axis.
Nothing here reads a file, draws a picture or searches.
"""
