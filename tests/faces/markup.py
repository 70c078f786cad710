"""Reading a page back: is it well formed, and what does it hold?"""

from __future__ import annotations

from collections import Counter
from html.parser import HTMLParser

VOID = frozenset({"area", "br", "col", "hr", "img", "input", "link", "meta", "source", "wbr"})
# An end tag of these may be left out, but we never do.
Attributes = list[tuple[str, str | None]]


class Read(HTMLParser):
    """A page, read tag by tag; ``faults`` says what is wrong with it."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.faults: list[str] = []
        self.tags: Counter[str] = Counter()
        self.ids: Counter[str] = Counter()
        self.links: list[str] = []
        self.attributes: list[tuple[str, str, str | None]] = []
        self.text: list[str] = []
        self._open: list[str] = []
        self.feed(page)
        self.close()
        self.faults += [f"<{tag}> is never closed" for tag in self._open]
        self.faults += [f"id {name!r} is there {n} times" for name, n in self.ids.items() if n > 1]

    def handle_starttag(self, tag: str, attrs: Attributes) -> None:
        self._seen(tag, attrs)
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: Attributes) -> None:
        self._seen(tag, attrs)

    def _seen(self, tag: str, attrs: Attributes) -> None:
        self.tags[tag] += 1
        for name, value in attrs:
            self.attributes.append((tag, name, value))
            if name == "id":
                self.ids[value or ""] += 1
            if name == "href" and tag == "a":
                self.links.append(value or "")
        if len(attrs) != len(dict(attrs)):
            self.faults.append(f"<{tag}> says something twice")

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open[-1] != tag:
            self.faults.append(f"</{tag}> inside {' > '.join(self._open[-3:])}")
        if tag in self._open:
            while self._open.pop() != tag:
                pass

    def handle_data(self, data: str) -> None:
        if not {"style", "title"} & set(self._open):
            self.text.append(data)

    @property
    def words(self) -> str:
        """What there is to read."""
        return " ".join(" ".join(self.text).split())
