"""Closed forms and estimators that only tests need: second ways to values that the package finds in another way.

They take plain numbers in SI units and do not check them.
"""
