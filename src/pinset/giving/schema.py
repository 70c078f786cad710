"""Tables as files tell of them: each column with its type, its unit and what it says (Data Package 2.0)."""

from __future__ import annotations

from typing import Any, Final, Literal, NamedTuple

PROFILES: Final = "https://datapackage.org/profiles/2.0"
Type = Literal["string", "integer", "number", "boolean", "datetime", "object", "array"]


class Field(NamedTuple):
    """One column. ``unit`` is empty where it has none; ``nullable`` says that an empty cell means nothing was said."""

    name: str
    type: Type
    about: str
    unit: str = ""
    nullable: bool = False

    def descriptor(self, key: bool) -> dict[str, Any]:
        """The column as a Table Schema has it.

        >>> Field("weight_kg", "number", "What it weighed.", "kg").descriptor(False)
        {'name': 'weight_kg', 'type': 'number', 'description': 'What it weighed. In kg.', 'unit': 'kg'}
        """
        told: dict[str, Any] = {"name": self.name, "type": self.type, "description": self.about}
        if self.unit:
            told |= {"description": f"{self.about} In {self.unit}.", "unit": self.unit}
        return told | ({"constraints": {"required": True}} if key else {})


class Reference(NamedTuple):
    """A column whose every value stands in a column of another table."""

    column: str
    table: str
    its: str


class Table(NamedTuple):
    """A table as it is given: its columns, its key, and what it refers to."""

    name: str
    about: str
    fields: tuple[Field, ...]
    key: tuple[str, ...]
    references: tuple[Reference, ...] = ()

    @property
    def columns(self) -> tuple[str, ...]:
        """The names of its columns."""
        return tuple(field.name for field in self.fields)

    def descriptor(self, path: str, size: int, digest: str) -> dict[str, Any]:
        """The table as a Data Resource."""
        return {
            "$schema": f"{PROFILES}/dataresource.json",
            "name": self.name.replace("_", "-"),
            "path": path,
            "type": "table",
            "description": self.about,
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "bytes": size,
            "hash": f"sha256:{digest}",
            "schema": self._schema(),
        }

    def _schema(self) -> dict[str, Any]:
        told: dict[str, Any] = {
            "$schema": f"{PROFILES}/tableschema.json",
            "fields": [field.descriptor(field.name in self.key) for field in self.fields],
            "missingValues": [""],
            "primaryKey": list(self.key),
        }
        if self.references:
            told["foreignKeys"] = [
                {"fields": [one.column], "reference": {"resource": one.table.replace("_", "-"), "fields": [one.its]}}
                for one in self.references
            ]
        return told
