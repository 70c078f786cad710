"""A farm's record in a notebook or a script: answers that show themselves, and the ledger as tidy tables."""

from __future__ import annotations

import dataclasses
import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Self
from zoneinfo import ZoneInfo

from pinset.farm import Farm
from pinset.ledger.tables import TABLES, Row, table_name
from pinset.questions.answer import Answer

if TYPE_CHECKING:
    import pandas

_INSIDE = ("farm", "n")  # what only the ledger itself needs


class NoSuchTable(LookupError):
    """The ledger has no table of that name."""


class NeedsPandas(ImportError):
    """Frames need pandas: pip install pandas. Without it, farm.table(name) gives the same rows as plain dicts."""


@dataclasses.dataclass(frozen=True, slots=True)
class NotebookAnswer(Answer):
    """An answer that shows itself: as a page in a notebook, as text elsewhere."""

    decimal_mark: str = dataclasses.field(default=".", kw_only=True)

    @classmethod
    def of(cls, answer: Answer, decimal_mark: str) -> Self:
        """The same answer, showing itself."""
        parts = {field.name: getattr(answer, field.name) for field in dataclasses.fields(Answer)}
        return cls(**parts, decimal_mark=decimal_mark)

    def as_dict(self) -> dict[str, Any]:
        """The answer as plain JSON values, as every other face gives it."""
        plain = Answer.as_dict(self)
        del plain["decimal_mark"]
        return plain

    def _repr_html_(self) -> str:
        from pinset.faces.web.pages import fragment

        return fragment(self, self.decimal_mark)

    def __str__(self) -> str:
        from pinset.faces import screen

        return screen.text(self, mark=self.decimal_mark)

    __repr__ = __str__


class NotebookFarm(Farm):
    """A farm's record, open. ``farm.ask("yields")`` shows its answer; ``farm.table("picked")`` gives tidy rows."""

    def ask(self, question: str, **options: Any) -> NotebookAnswer:
        """Ask one of the questions: ``farm.ask("yields")``."""
        return NotebookAnswer.of(super().ask(question, **options), self.settings.decimal_mark)

    def tables(self) -> list[str]:
        """The names of the ledger's tables."""
        return [table_name(table) for table in TABLES]

    def table(self, name: str) -> list[dict[str, Any]]:
        """A table's rows as dicts, in the order they happened: weights in kg, money in the farm's currency, moments in
        its time zone."""
        with self.reader() as ledger:
            rows = ledger.rows(_table(name))
        return [self._tidy(row) for row in sorted(rows, key=lambda row: getattr(row, "at", 0))]

    def frame(self, name: str) -> pandas.DataFrame:
        """A table as a pandas frame; raises NeedsPandas where pandas is not installed."""
        try:
            import pandas
        except ImportError as fault:
            raise NeedsPandas(NeedsPandas.__doc__) from fault
        columns = [_tidy_name(field) for field in _table(name)._fields if field not in _INSIDE]
        return pandas.DataFrame(self.table(name), columns=columns)

    def _tidy(self, row: Row) -> dict[str, Any]:
        said = row._asdict()
        return {_tidy_name(field): self._value(field, said[field]) for field in said if field not in _INSIDE}

    def _value(self, field: str, value: Any) -> Any:
        if value is None:
            return None
        if field.endswith("_mg"):
            return value / 1_000_000
        if field.endswith("_minor"):
            return value / 10**self.settings.minor_digits
        if field in ("at", "noted_at"):
            return datetime.fromtimestamp(value, UTC).astimezone(ZoneInfo(self.settings.zone))
        return json.loads(value) if field == "body" else value


def _table(name: str) -> type[Any]:
    for table in TABLES:
        if table_name(table) == name:
            return table
    raise NoSuchTable(f"needed one of {', '.join(map(table_name, TABLES))}; came {name!r}")


def _tidy_name(field: str) -> str:
    """A column's name with the unit it has for people.

    >>> _tidy_name("weight_mg"), _tidy_name("cost_minor"), _tidy_name("subject")
    ('weight_kg', 'cost', 'subject')
    """
    if field.endswith("_mg"):
        return field.removesuffix("_mg") + "_kg"
    return field.removesuffix("_minor")
