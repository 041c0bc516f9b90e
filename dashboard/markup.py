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
# What begins a link, a picture, a formula, an icon or emphasis; other punctuation reads as it is.
MARKDOWN = re.compile(r"[\\`*\[\]<>~$#|]|(?<!\w)_|_(?!\w)|:(?=[a-z])")


def render(template: str, macro: str, **values: object) -> str:
    """A macro of a template (page, words, tables, mapping) filled with values."""
    return getattr(ENVIRONMENT.get_template(f"{template}.html").module, macro)(**values).strip()


def as_label(text: str) -> str:
    """Text of a file for a place where Streamlit reads Markdown: the label or the help of a widget."""
    return MARKDOWN.sub(r"\\\g<0>", text)
