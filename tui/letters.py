"""Big letters: words that are read from two metres, five rows tall or a multiple of it."""

from __future__ import annotations

ROWS = 5

# Five by five, drawn for this program; I and 1 are narrow, the space is three wide.
_GLYPHS = {
    "A": (" ### ", "#   #", "#####", "#   #", "#   #"),
    "B": ("#### ", "#   #", "#### ", "#   #", "#### "),
    "C": (" ####", "#    ", "#    ", "#    ", " ####"),
    "D": ("#### ", "#   #", "#   #", "#   #", "#### "),
    "E": ("#####", "#    ", "#### ", "#    ", "#####"),
    "F": ("#####", "#    ", "#### ", "#    ", "#    "),
    "G": (" ####", "#    ", "#  ##", "#   #", " ####"),
    "H": ("#   #", "#   #", "#####", "#   #", "#   #"),
    "I": ("###", " # ", " # ", " # ", "###"),
    "K": ("#   #", "#  # ", "###  ", "#  # ", "#   #"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#####"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#### ", "#    ", "#    "),
    "R": ("#### ", "#   #", "#### ", "#  # ", "#   #"),
    "S": (" ####", "#    ", " ### ", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#   #", "#   #", "#   #", "#   #", " ### "),
    "V": ("#   #", "#   #", "#   #", " # # ", "  #  "),
    "W": ("#   #", "#   #", "# # #", "## ##", "#   #"),
    "Y": ("#   #", " # # ", "  #  ", "  #  ", "  #  "),
    " ": ("   ", "   ", "   ", "   ", "   "),
}


def big(word: str, width: int, height: int = ROWS) -> list[str]:
    """`word` as rows of full blocks, as large as fits into `width` columns and `height` rows.

    Never smaller than five rows: on a screen too narrow for that the word is cut at the right.
    """
    pixels = [" ".join(_GLYPHS[letter][row] for letter in word) for row in range(ROWS)]
    scale = max(1, min(width // len(pixels[0]), height // ROWS))
    rows = ["".join(pixel * scale for pixel in row).replace("#", "█") for row in pixels]
    return [row[:width] for row in rows for _ in range(scale)]
