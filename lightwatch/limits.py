"""How much is taken at once: every limit in one place.

All are common practice, no source: far above what records need, far below what harms.
"""

BODY_BYTES = 256 * 1024
"""Of one request [bytes]; more is answered by 413."""

BODY_S = 20.0
"""How long the body of a request may take to come [s]; longer is answered by 408."""

HEAD_S = 10.0
"""How long the head of a request may take to come [s]; then 408."""

CONNECTIONS = 500
"""Open at once; one more is answered by 503."""

GRACE_S = 5
"""How long a service that is told to stop waits for requests under way [s]."""

FIELD_CHARS = 4_000
"""Of one value of a record that a person logs, such as a note [characters]."""

CELL_BYTES = 16 * 1024 * 1024
"""Of one cell of a file [bytes]."""

COLUMNS = 2_000
"""Of one table that is read."""

UNPACKED_BYTES = 512 * 1024 * 1024
"""Of all parts of a workbook, unpacked [bytes]."""

SHEET_CELLS = 20_000_000
"""Of one sheet, blank ones counted."""
