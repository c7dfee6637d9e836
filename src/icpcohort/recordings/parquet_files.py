"""Parquet: units in the metadata of columns, and the rows in batches.

Memory follows the size of a page, not of a row group nor of the file: pages are decoded one by
one. Most writers make pages of about 1 MB; a column that one page fills is refused.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from icpcohort.recordings.chunks import RecordingError

BATCH_ROWS = 65_536
BUFFER_BYTES = 250_000
MAX_ROWS = 10**9  # 240 h at 1 kHz
MAX_ALLOCATED_BYTES = 256_000_000


def read_schema(path: Path) -> pa.Schema:
    """Return the columns, after a look at the counts of rows.

    Raises
    ------
    RecordingError
        `bad_header` for a count that no recording has.
    """
    with pq.ParquetFile(path) as file:
        n_rows, schema = file.metadata.num_rows, file.schema_arrow
    if not 0 <= n_rows <= MAX_ROWS:
        raise RecordingError(
            "bad_header", f"{path.name}: {n_rows} rows, more than {MAX_ROWS}; split the file"
        )
    return schema


def unit_of(field: pa.Field) -> str | None:
    """Return the unit in a column's metadata."""
    return (field.metadata or {}).get(b"unit", b"").decode() or None


def batches(path: Path, *, columns: Sequence[str]) -> Iterator[pa.RecordBatch]:
    """Yield the rows.

    Raises
    ------
    RecordingError
        `large_pages` where a page takes more than 256 MB.
    """
    before = pa.total_allocated_bytes()
    # buffered, else every row group read stays in memory
    with pq.ParquetFile(path, pre_buffer=False, buffer_size=BUFFER_BYTES) as file:
        for batch in file.iter_batches(BATCH_ROWS, columns=list(columns), use_threads=False):
            if pa.total_allocated_bytes() - before > MAX_ALLOCATED_BYTES:
                raise RecordingError(
                    "large_pages",
                    f"{path.name}: pages of more than {MAX_ALLOCATED_BYTES // 10**6} MB; write "
                    "it again with pages of 1 MB or row groups of at most 1,000,000 rows",
                )
            yield batch
