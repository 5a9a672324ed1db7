"""Formulas that several floors share: links, seeks, platters, the arm, flash and caches.

Plain functions of floats and arrays that import nothing else of the package. Those that decide times
inside an engine (`seek.seek_s` and all of `arm`) use only ``+ - * / sqrt floor`` and comparisons, in one
written order, so that interpreted and compiled they give the same bits.
"""
