"""The page on files says what the code holds to."""

from pathlib import Path

import pytest

from app.exchange import cells, log_file
from app.exchange.tables import Limits
from app.training.records import BLOCK_KINDS

PAGE = (Path(__file__).parents[2] / "docs" / "files.md").read_text()


@pytest.mark.parametrize("field", log_file.FIELDS)
def test_every_column_is_described_as_it_is_read(field: str) -> None:
    (row,) = [
        line for line in PAGE.splitlines() if line.startswith("|") and f"`{field}`" in line.split("|")[1]
    ]
    assert log_file.EXPECTED[field].split(";")[0] in row


def test_the_limits_are_those_of_the_code() -> None:
    limits = Limits()
    for number in (limits.rows, limits.line_characters, limits.members, limits.workbook_cells):
        assert f"{number:,}" in PAGE
    for words in (
        f"{limits.file_bytes // 2**20} MB",
        f"and {limits.columns} |",
        f"{limits.unpacked_bytes // 2**20} MB",
        f"{limits.unpack_ratio} times",
        f"first {log_file.MAX_ERRORS:,}",
        f"at most {cells.NAME_CHARACTERS} characters",
    ):
        assert words in PAGE


def test_every_kind_of_block_is_named() -> None:
    assert all(kind in PAGE for kind in BLOCK_KINDS)
