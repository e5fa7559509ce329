"""whichside: which side of a two-pin load is switched, told from two leads."""

__version__ = "0.1.0"
