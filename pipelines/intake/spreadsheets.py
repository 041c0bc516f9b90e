"""Texts that a spreadsheet would run as formulas: made harmless on the way out, read back on the way in."""

import pyarrow as pa
import pyarrow.compute as pc

# After blanks and invisible letters a mark that starts a formula, unless the whole is a number. Leading
# apostrophes count, so that what was put before such a text can be taken away again.
STARTS_FORMULA = (
    r"^'*[\s\x00-\x20\x{00A0}\x{00AD}\x{180E}\x{2000}-\x{200F}\x{2028}-\x{202F}"
    r"\x{205F}-\x{2064}\x{3000}\x{FEFF}]*"
    r"[=+\-@|%\x{FF1D}\x{FF0B}\x{FF0D}\x{FF20}\x{FF5C}\x{FF05}\x{2212}]"
)
A_NUMBER = r"^[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?$"


def harmless(texts: pa.Array) -> pa.Array:
    """Texts no spreadsheet takes for a formula: an apostrophe before those it would take for one."""
    risky = pc.and_(
        pc.match_substring_regex(texts, STARTS_FORMULA), pc.invert(pc.match_substring_regex(texts, A_NUMBER))
    )
    if not pc.any(risky).as_py():
        return texts
    return pc.if_else(
        pc.fill_null(risky, False),
        pc.binary_join_element_wise(pa.scalar("'", texts.type), texts, pa.scalar("", texts.type)),
        texts,
    )


def read_back(texts: pa.Array) -> pa.Array:
    """Texts as they were before `harmless`."""
    marked = pc.fill_null(pc.match_substring_regex(texts, STARTS_FORMULA), False)
    marked = pc.and_(marked, pc.fill_null(pc.starts_with(texts, "'"), False))
    return pc.if_else(marked, pc.utf8_slice_codeunits(texts, 1), texts)
