"""The reading sheet as it is handed out: as text, or in a file."""

from pathlib import Path

from pipelines.answers.access import ListError
from pipelines.answers.sheet import empty_csv, reading_sheet
from pipelines.answers.sheet_pdf import sheet_pdf
from pipelines.fleet.logs import attempting


def given(out: str | None) -> str:
    """The sheet and the headings of an empty CSV; or, where a file is named, what was written there.

    ListError for an ending that is none of .pdf and .txt.
    """
    text = f"{reading_sheet()}\n{empty_csv()}"
    if out is None:
        return text
    writers = {".pdf": sheet_pdf, ".txt": text.encode}
    path = Path(out)
    if path.suffix.lower() not in writers:
        raise ListError(f"{path.name}: the sheet ends in {', '.join(writers)}")
    with attempting("write", path):
        path.write_bytes(writers[path.suffix.lower()]())
    return f"reading sheet  {out}\n"
