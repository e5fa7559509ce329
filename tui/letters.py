"""Big letters: words that are read from two metres, five rows tall or a multiple of it."""

from __future__ import annotations

ROWS = 5

# Five by five, drawn for this program; I, 1, colon, hyphen and space are narrow.
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
    "J": ("    #", "    #", "    #", "#   #", " ### "),
    "K": ("#   #", "#  # ", "###  ", "#  # ", "#   #"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#####"),
    "M": ("#   #", "## ##", "# # #", "#   #", "#   #"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#### ", "#    ", "#    "),
    "Q": (" ### ", "#   #", "# # #", "#  # ", " ## #"),
    "R": ("#### ", "#   #", "#### ", "#  # ", "#   #"),
    "S": (" ####", "#    ", " ### ", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#   #", "#   #", "#   #", "#   #", " ### "),
    "V": ("#   #", "#   #", "#   #", " # # ", "  #  "),
    "W": ("#   #", "#   #", "# # #", "## ##", "#   #"),
    "X": ("#   #", " # # ", "  #  ", " # # ", "#   #"),
    "Y": ("#   #", " # # ", "  #  ", "  #  ", "  #  "),
    "Z": ("#####", "   # ", "  #  ", " #   ", "#####"),
    "0": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("#### ", "    #", " ### ", "#    ", "#####"),
    "3": ("#### ", "    #", " ### ", "    #", "#### "),
    "4": ("#   #", "#   #", "#####", "    #", "    #"),
    "5": ("#####", "#    ", "#### ", "    #", "#### "),
    "6": (" ### ", "#    ", "#### ", "#   #", " ### "),
    "7": ("#####", "    #", "   # ", "  #  ", "  #  "),
    "8": (" ### ", "#   #", " ### ", "#   #", " ### "),
    "9": (" ### ", "#   #", " ####", "    #", " ### "),
    ":": (" ", "#", " ", "#", " "),
    "-": ("   ", "   ", "###", "   ", "   "),
    " ": ("  ", "  ", "  ", "  ", "  "),
}


def big(word: str, width: int, height: int = ROWS) -> list[str]:
    """`word` as rows of full blocks, as large as fits into `width` columns and `height` rows.

    Never smaller than five rows: on a screen too narrow for that the word is cut at the right.
    """
    return _drawn(word, width, max(1, min(width // columns(word), height // ROWS)))


def columns(word: str) -> int:
    """Columns that `word` takes at its smallest."""
    return sum(len(_GLYPHS[letter][0]) + 1 for letter in word) - 1


def big_lines(text: str, width: int, height: int) -> list[str]:
    """Words of `text` as rows of full blocks, wrapped between words, as large as fits.

    Never smaller than five rows a line: lines that do not fit are left out, whatever is too wide is cut.
    """
    for scale in range(max(1, height // ROWS), 0, -1):
        lines = _wrapped(text, width // scale)
        fitting = (height + 1) // (ROWS * scale + 1)  # lines, with a row between them
        if scale == 1 or (len(lines) <= fitting and max(map(columns, lines)) <= width // scale):
            break
    drawn: list[str] = []
    for line in lines[: max(1, fitting)]:
        drawn += [*([""] if drawn else []), *_drawn(line, width, scale)]
    return drawn


def _wrapped(text: str, width: int) -> list[str]:
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        lines[-1:] = [longer] if columns(longer) <= width or not lines else [lines[-1], word]
    return lines


def _drawn(line: str, width: int, scale: int) -> list[str]:
    pixels = [" ".join(_GLYPHS[letter][row] for letter in line) for row in range(ROWS)]
    rows = ["".join(pixel * scale for pixel in row).replace("#", "█") for row in pixels]
    return [row[:width] for row in rows for _ in range(scale)]
