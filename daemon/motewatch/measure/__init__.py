"""Counts to concentrations: sample periods, coverage, exact Poisson intervals. Pure."""
