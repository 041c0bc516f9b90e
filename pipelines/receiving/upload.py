"""A file as somebody brings it, opened once: how it is read, which mapping fits, what its columns are."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from pipelines.engine.policy import policy as policies
from pipelines.fields import BY_NAME, PERSONAL
from pipelines.fleet.folder import Fleet
from pipelines.intake.cells import folded
from pipelines.intake.damage import Damage
from pipelines.intake.mapping import CANONICAL, Mapping
from pipelines.intake.privacy import suspect_personal
from pipelines.intake.reader import Batch, Export
from pipelines.intake.recognition import all_mapped_headings, recognize, repeat_of
from pipelines.intake.rows import Typed, type_batch
from pipelines.intake.suggestions import suiting
from pipelines.receiving import drafts, trial
from pipelines.receiving.deciding import sha256_of
from pipelines.receiving.drafts import Suggested, filled
from pipelines.snapshot.exports import batches, known_ids, mappings_of, opened, own_headings

ROWS = 5_000  # of a file, looked at
ROWS_SHOWN = 12
NOT_SHOWN = "(personal, not shown)"


@dataclass(frozen=True)
class Opening:
    """A file opened in one way (encoding, separator): its first ROWS rows, and whether these are all."""

    export: Export
    first: Batch
    whole: bool

    @property
    def headings(self) -> tuple[str, ...]:
        """The agency's own headings."""
        return own_headings(self.export.headings)

    @property
    def damage(self) -> list[Damage]:
        """Rows among those looked at that cannot be told apart, or are none."""
        last = self.first.lines[-1] if len(self.first.lines) else 0
        return [one for one in self.export.damage if self.whole or one.line <= last]

    @property
    def sample(self) -> pa.Table:
        """The first rows, a column of text for each of the agency's own headings."""
        return self.first.table.select(list(self.headings))


class Upload:
    """One file, and what it says of itself before anybody has said what its columns are.

    It is opened once, and once more for a mapping that has an encoding or a separator of its own; what was
    read is held. `headings` are the agency's own; `rows` the first ROWS_SHOWN as read, a column of text for
    each heading. `mapping` is the name of the one that is recognized, None where none or several fit
    (`fitting`); of the `nearest`, `missing` are headings it expects, `unknown` those of the file it says
    nothing about. `shares` are all mappings there are, each with how many of its headings are here, nearest
    first. `personal` are headings whose columns look personal, with why; for a viewer who does not see
    personal fields no cell of such a column is shown. `stripped` says that columns were dropped from it.
    """

    def __init__(
        self,
        path: Path,
        mappings: Iterable[Mapping],
        accepted_ids: dict[str, set[str]] | None = None,
        *,
        shows_personal: bool = True,
        stripped: bool = False,
    ):
        """Read the beginning of a file; raises ExportError where it is no export."""
        self.path, self.mappings, self.accepted_ids = path, tuple(mappings), accepted_ids or {}
        self.shows_personal, self.stripped = shows_personal, stripped
        self._openings: dict[tuple[str | None, str | None], Opening] = {}
        self.trial = lru_cache(maxsize=64)(self._trial)
        self.typed = lru_cache(maxsize=4)(self._typed)
        self.words = lru_cache(maxsize=64)(self._words)
        self.suited = lru_cache(maxsize=256)(self._suited)
        self.recognition = recognize(self.opened_with(None).headings, self.mappings)
        self._opening = self.opened_with(self.recognition.mapping)

    @classmethod
    def into(cls, fleet: Fleet, path: Path, *, shows_personal: bool = True) -> "Upload":
        """A file that may be loaded into a fleet. Raises ExportError, MappingError, PolicyError."""
        ids = known_ids(policies.load(fleet.policy))
        return cls(path, mappings_of(fleet), ids, shows_personal=shows_personal)

    def opened_with(self, mapping: Mapping | None) -> Opening:
        """The file as a mapping opens it; raises ExportError where it has no table for it."""
        way = (mapping.encoding, mapping.delimiter) if mapping else (None, None)
        if way not in self._openings:
            known = all_mapped_headings(self.mappings)
            export = opened(self.path, mapping if any(way) else None, known, stripped=self.stripped)
            first = list(islice(batches(export, ROWS), 2))
            self._openings[way] = Opening(export, first[0] if first else _no_rows(export), len(first) < 2)
        return self._openings[way]

    @property
    def file_name(self) -> str:
        return self.path.name

    @cached_property
    def sha256(self) -> str:
        """Hash of its bytes."""
        return sha256_of(self.path)

    @property
    def export(self) -> Export:
        """How the file is read: its encoding, separator, line of headings, and notes of what was guessed."""
        return self._opening.export

    @property
    def headings(self) -> tuple[str, ...]:
        return self._opening.headings

    @property
    def rows_looked_at(self) -> int:
        return self._opening.first.table.num_rows

    @property
    def whole(self) -> bool:
        """Whether the rows looked at are all."""
        return self._opening.whole

    @cached_property
    def rows(self) -> pd.DataFrame:
        shown = self._opening.sample.slice(0, ROWS_SHOWN).to_pandas()
        return shown.assign(**dict.fromkeys(self.hidden & set(shown), NOT_SHOWN))

    @property
    def mapping(self) -> str | None:
        return self.recognition.mapping.name if self.recognition.mapping else None

    @property
    def fitting(self) -> tuple[str, ...]:
        return self.recognition.fitting

    @property
    def nearest(self) -> str | None:
        return self.recognition.nearest

    @property
    def missing(self) -> tuple[str, ...]:
        return self.recognition.missing

    @property
    def unknown(self) -> tuple[str, ...]:
        return self.recognition.unknown

    @cached_property
    def shares(self) -> tuple[tuple[str, int, int], ...]:
        """(name of a mapping, its headings that are here, how many it has), nearest first."""
        here = set(map(folded, self.headings))
        shares = [
            (
                one.name,
                len(here & one.feeding.keys()),
                len(self.headings) if one.name == CANONICAL else len(one.feeding),
            )
            for one in self.mappings
        ]
        return tuple(sorted(shares, key=lambda one: (-one[1] / max(1, one[2]), one[0])))

    @cached_property
    def personal(self) -> tuple[tuple[str, str], ...]:
        return tuple(suspect_personal(self.headings, self._opening.sample))

    @cached_property
    def hidden(self) -> frozenset[str]:
        """Headings whose cells are not shown: those that look personal or feed a personal field, or may."""
        if self.shows_personal:
            return frozenset()
        here, used = set(map(folded, self.headings)), self.recognition.mapping
        fed = {folded(heading) for field in PERSONAL for heading in (used.feeds(field) if used else ())}
        feeding = {one for one in self.headings if fed & {folded(one), repeat_of(one, here)}}
        suggested = {one.heading for one in self._suggestions.headings if one.field in PERSONAL}
        return frozenset({heading for heading, _ in self.personal} | feeding | suggested)

    @cached_property
    def _suggestions(self) -> Suggested:
        opening = self.opened_with(None)
        return drafts.suggested(opening.headings, opening.sample)

    @cached_property
    def suggested(self) -> Suggested:
        """What each heading of an unknown export may be, and why."""
        return self._suggestions.hiding(self.hidden, NOT_SHOWN)

    def _suited(self, heading: str, field: str) -> tuple[str | None, tuple[tuple[str, str], ...]]:
        """The unit and the words that suit a field chosen for a heading by hand."""
        texts = filled(self.opened_with(None).first.table.column(heading)).unique().to_pylist()
        return suiting(heading, texts, BY_NAME[field])

    def _typed(self, mapping: Mapping, agency: str | None) -> Typed:
        """The first rows as a load would type them; raises ExportError."""
        first = self.opened_with(mapping).first
        return type_batch(
            first, mapping, agency=agency, file_name=self.file_name, accepted_ids=self.accepted_ids
        )

    def _trial(self, mapping: Mapping) -> pd.DataFrame:
        """What a mapping makes of the first rows, as trial.trial; raises ExportError."""
        opening = self.opened_with(mapping)
        found = trial.trial(opening.headings, opening.first, mapping, self.accepted_ids)
        if self.shows_personal:
            return found
        hidden = found["heading"].isin(self.hidden) | found["field"].isin(PERSONAL)
        return found.assign(examples=found["examples"].mask(hidden, ""))

    def _words(self, mapping: Mapping) -> pd.DataFrame:
        """The distinct texts in columns of words, and what each means, as trial.words; raises ExportError."""
        found = trial.words(self.opened_with(mapping).first, mapping, self.accepted_ids)
        return found if self.shows_personal else found[~found["field"].isin(PERSONAL)]


def _no_rows(export: Export) -> Batch:
    """The batch of an export that has headings and nothing else."""
    columns: dict[str, Sequence[str]] = dict.fromkeys(export.headings, ())
    return Batch(
        pa.table({name: pa.array(texts, pa.string()) for name, texts in columns.items()}),
        np.empty(0, np.int64),
    )
