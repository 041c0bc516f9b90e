"""HTML from the templates beside this file; what is put into them is escaped, always.

Not named html: the folder of the page that is run stands first on the path, before the standard library.
"""

import re
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

ENVIRONMENT = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
# What begins markup is escaped; underscores inside a word and brackets that begin none stay, since some
# widgets read a label aloud as it was given.
BEGINS = re.compile(r"[\\`*$~\[]|(?<!\w)_|_(?!\w)|<(?=[A-Za-z/!?])|&(?=[#\w])")
# What is looked for after escapes are undone is broken by a mark that has no width: addresses, emoji, arrows.
FOUND_LATER = re.compile(r"(?i)(?<=:)(?=\S)|(?<=@)(?=\S)|(?<=www)(?=\.)|(?<=[-<>=])(?=[-<>=])")
BEGINS_A_LINE = re.compile(r"^(?=[#>+=-]|\d+[.)])")
NO_WIDTH = "\N{WORD JOINER}"


def render(template: str, macro: str, **values: object) -> str:
    """A macro of a template (page, words, tables, mapping) filled with values."""
    return getattr(ENVIRONMENT.get_template(f"{template}.html").module, macro)(**values).strip()


def as_label(text: str) -> str:
    """Text of a file for a place where Streamlit reads Markdown: the label or the help of a widget."""
    line = BEGINS_A_LINE.sub(NO_WIDTH, " ".join(text.split()))
    return FOUND_LATER.sub(NO_WIDTH, BEGINS.sub(r"\\\g<0>", line))
