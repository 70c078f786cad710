"""A short run of the bench of intake: everything is kept, and the row says how many."""

from __future__ import annotations

from bench.intake import rows


def test_every_row_of_the_invented_file_is_kept() -> None:
    (row,) = rows(400)
    assert row.what == "take 400 csv rows, 403 entries kept"
    assert row.target == "< 0.08 s"
