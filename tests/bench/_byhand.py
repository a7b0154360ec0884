"""The floor of a trace and of means: the same rows by statements written out by hand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

HEAD: Final = """
    SELECT m.*, s.*, j.*, mat.*, a.* FROM measurement m
    LEFT JOIN specimen s ON s.id = m.specimen_id
    LEFT JOIN job j ON j.id = s.job_id
    LEFT JOIN material mat ON mat.id = j.material_id
    LEFT JOIN attachment a ON a.sha256 = j.plate_sha256
    WHERE m.id = {}"""
OF_MEASUREMENT: Final = (
    """SELECT r.*, v.* FROM result r LEFT JOIN verdict v ON v.result_id = r.id
    WHERE r.measurement_id = {} ORDER BY r.id, v.id""",
    """SELECT g.*, c.*, u.* FROM measurement_rig u JOIN rig g ON g.id = u.rig_id
    LEFT JOIN calibration c ON c.id = u.calibration_id
    WHERE u.measurement_id = {} ORDER BY g.role DESC, g.id""",
    """SELECT f.*, a.* FROM measurement_file f JOIN attachment a ON a.sha256 = f.sha256
    WHERE f.measurement_id = {} ORDER BY f.field""",
)
OF_SPECIMEN: Final = "SELECT * FROM factor WHERE specimen_id = {} ORDER BY name"
OF_JOB: Final = (
    "SELECT * FROM change WHERE job_id = {} ORDER BY id",
    "SELECT * FROM job_log WHERE job_id = {} ORDER BY id",
    """SELECT s.id, s.*, mat.*, u.* FROM job_spool u JOIN spool s ON s.id = u.spool_id
    JOIN material mat ON mat.id = s.material_id WHERE u.job_id = {} ORDER BY u.tool""",
)
OF_SPOOL: Final = (
    "SELECT * FROM stay WHERE spool_id = {} ORDER BY began_at, id",
    """SELECT d.*, u.* FROM drying_spool u JOIN drying d ON d.id = u.drying_id
    WHERE u.spool_id = {} ORDER BY d.began_at, d.id""",
)
OF_JOURNAL: Final = "SELECT * FROM journal WHERE seq IN ({}) ORDER BY seq"
MEANS: Final = """
    SELECT mat.name, p.orientation, p.unit, sum(p.n), sum(p.s), sum(p.ss), sum(p.taken) FROM
    (SELECT s.job_id, s.orientation, r.unit,
        count(CASE WHEN r.relation = '=' THEN 1 END) AS n,
        sum(CASE WHEN r.relation = '=' THEN r.value - {0} END) AS s,
        sum(CASE WHEN r.relation = '=' THEN (r.value - {0}) * (r.value - {0}) END) AS ss,
        count(*) AS taken
     FROM result r JOIN measurement m ON m.id = r.measurement_id JOIN specimen s ON s.id = m.specimen_id
     WHERE r.quantity = {1} AND r.counted AND r.value IS NOT NULL
     GROUP BY s.job_id, s.orientation, r.unit) p
    JOIN (SELECT j.id, coalesce(
            (SELECT sp.material_id FROM job_spool u JOIN spool sp ON sp.id = u.spool_id
             WHERE u.job_id = j.id ORDER BY u.tool LIMIT 1), j.material_id) AS material_id
          FROM job j) printed ON printed.id = p.job_id
    LEFT JOIN material mat ON mat.id = printed.material_id
    GROUP BY mat.name, p.orientation, p.unit"""


class ByHand:
    """The rows of a trace by statements written out by hand, on a bare connection.

    Args:
        connection: Of ``sqlite3`` or psycopg.
        mark: How a parameter is written, ``?`` or ``%s``.
        specimen: Places of ``specimen.id``, ``job.id`` in the first statement's row; ``entries`` are
            places of ``entry`` by statement.
    """

    def __init__(self, connection: Any, mark: str) -> None:
        self._cursor = connection.cursor()
        self._connection = connection
        self._mark = mark
        self._head = HEAD.format(mark)
        self._measured = [text.format(mark) for text in OF_MEASUREMENT]
        self._factors = OF_SPECIMEN.format(mark)
        self._printed = [text.format(mark) for text in OF_JOB]
        self._kept = [text.format(mark) for text in OF_SPOOL]
        self._places: dict[str, list[int]] = {}
        self._specimen, self._job = self._found(f"{self._head}", ("specimen_id",), "job_id")

    def _found(self, text: str, first: Sequence[str], second: str) -> tuple[int, int]:
        self._cursor.execute(text, (1,))
        names = [column[0] for column in self._cursor.description]
        return names.index(first[0]), names.index(second)

    def _rows(self, text: str, values: Sequence[Any], entries: set[int] | None = None) -> list[Any]:
        self._cursor.execute(text, values)
        rows: list[Any] = self._cursor.fetchall()
        if entries is not None and rows:
            places = self._places.get(text)
            if places is None:
                names = [column[0] for column in self._cursor.description]
                places = self._places[text] = [place for place, name in enumerate(names) if name == "entry"]
            entries.update(row[place] for row in rows for place in places if row[place] is not None)
        return rows

    def rows(self, number: int) -> list[list[Any]]:
        """Return the rows of one measurement's way back, and its journal entries."""
        entries: set[int] = set()
        head = self._rows(self._head, (number,), entries)
        job, specimen = head[0][self._job], head[0][self._specimen]
        found = [head, *(self._rows(text, (number,), entries) for text in self._measured)]
        found.append(self._rows(self._factors, (specimen,), entries))
        printed = [self._rows(text, (job,), entries) for text in self._printed]
        found += printed
        for spool in printed[-1]:
            found += [self._rows(text, (spool[0],), entries) for text in self._kept]
        marks = ", ".join([self._mark] * len(entries))
        found.append(self._rows(OF_JOURNAL.format(marks), sorted(entries)))
        return found

    def finish(self) -> None:
        """End the reading transaction, where the driver has begun one."""
        self._connection.rollback()
