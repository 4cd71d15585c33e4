"""Finding runs again: by engine, build, date, words, peaks, flags and tags."""

from __future__ import annotations

import sqlite3
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from evenfall.archive.database import RESTORE, Database, code_of, explained, log
from evenfall.errors import InputError


@dataclass(frozen=True)
class Query:
    """What to look for; None means any.  Powers in W, torques in N.m, times in Unix seconds."""

    engine: str | None = None
    build: str | None = None
    session: int | None = None
    since_unix_s: int | None = None
    until_unix_s: int | None = None
    words: str | None = None
    power_W: tuple[float | None, float | None] = (None, None)
    torque_Nm: tuple[float | None, float | None] = (None, None)
    flags: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    verdict: str | None = None
    excluded: bool | None = False  # None: both
    sort: str = "date"  # date, power, torque
    limit: int = 50
    offset: int = 0


MAX_MISSING = 1000  # run numbers in a row that are not there: the end of a damaged file
_SORTS = {"date": "p.started_unix_s", "power": "p.peak_power_W", "torque": "p.peak_torque_Nm"}


class Search(Database):
    """The lists of runs."""

    def find(self, query: Query) -> list[dict[str, Any]]:
        """Lines of `run_list` that match, sorted, at most `query.limit`."""
        return list(self.each(query))

    def count(self, query: Query) -> int:
        """How many runs match; `query.limit` and `query.offset` hold here too."""
        sql, values = find_sql(query)
        (number,) = self.db.execute(f"SELECT count(*) FROM ({sql})", values).fetchone()
        return int(number)

    def also_excluded(self, query: Query) -> int:
        """How many excluded runs match a query that leaves them out."""
        return 0 if query.excluded is not False else self.count(replace(query, excluded=True, limit=-1))

    def each(self, query: Query) -> Iterator[dict[str, Any]]:
        """The same one by one: as many as there are, in the memory of one.

        Where the file is damaged, lines that cannot be read are left out and their number is logged.
        """
        sql, values = find_sql(query)
        given = array("Q")  # eight bytes for each line, should the file turn out damaged
        try:
            for (number,) in self.db.execute(sql, values):
                yield from self.rows("SELECT * FROM run_list WHERE run = ?", number)
                given.append(number)
        except sqlite3.Error as error:
            if code_of(error) != sqlite3.SQLITE_CORRUPT:
                raise explained(error, self.path) from None
            yield from self._rescued(replace(query, limit=-1, offset=0), set(given))

    def _rescued(self, query: Query, given: set[int]) -> Iterator[dict[str, Any]]:
        """What a damaged file still gives, newest first: each run asked for by its number alone."""
        sql, values = find_sql(replace(query, words=None), "p.id = ?")
        lost = missing = 0
        number = 0
        while missing < MAX_MISSING:
            number += 1
            if number in given:
                continue
            try:
                found = self.rows(f"SELECT * FROM run_list WHERE run IN ({sql})", number, *values)
                known = found or self.rows("SELECT id FROM runs WHERE id = ?", number)
                missing = 0 if known else missing + 1
                yield from found
            except sqlite3.Error:
                lost += 1
                missing += 1
        log.warning("%s is damaged: %d runs cannot be listed; %s", self.path, lost, RESTORE)

    def words(self, column: str) -> list[str]:
        """All engine names, builds, tags or flags, for completion."""
        table, name = {"engine": ("engines", "name"), "build": ("builds", "name"), "tag": ("tags", "tag"),
                       "flag": ("flags", "flag")}[column]  # fmt: skip
        return [r[0] for r in self.db.execute(f"SELECT DISTINCT {name} FROM {table} ORDER BY 1 LIMIT 200")]


def find_sql(query: Query, only: str = "") -> tuple[str, list[Any]]:
    """SQL for the run numbers that match, in order, limited; every value is bound."""
    where: list[str] = []
    values: list[Any] = []

    def add(clause: str, *bound: Any) -> None:
        where.append(clause)
        values.extend(bound)

    if query.engine is not None:
        add(
            "p.build_id IN (SELECT b.id FROM builds b JOIN engines e ON e.id = b.engine_id WHERE e.name = ?)",
            query.engine,
        )
    if query.build is not None:
        add("p.build_id IN (SELECT id FROM builds WHERE name = ?)", query.build)
    if query.session is not None:
        add("p.session_id = ?", query.session)
    for column, low, high in (
        ("p.started_unix_s", query.since_unix_s, query.until_unix_s),
        ("p.peak_power_W", *query.power_W),
        ("p.peak_torque_Nm", *query.torque_Nm),
    ):
        if low is not None:
            add(f"{column} >= ?", low)
        if high is not None:
            add(f"{column} <= ?", high)
    for flag in query.flags:
        add("p.id IN (SELECT run_id FROM flags WHERE flag = ?)", flag)
    for tag in query.tags:
        add("p.id IN (SELECT run_id FROM tags WHERE tag = ?)", tag)
    if query.verdict is not None:
        add("p.verdict = ?", query.verdict)
    if query.excluded is not None:
        add(f"p.excluded IS {'NOT ' if query.excluded else ''}NULL")
    if query.words:
        add("p.id IN (SELECT rowid FROM words WHERE words MATCH ?)", _match(query.words))
    if only:
        where.insert(0, only)
    clause = f"WHERE {' AND '.join(where)} " if where else ""
    if query.sort not in _SORTS:
        raise InputError(f"runs are sorted by {', '.join(_SORTS)}, not by '{query.sort}'")
    sql = f"SELECT p.id FROM runs p {clause}ORDER BY {_SORTS[query.sort]} DESC, p.id DESC LIMIT ? OFFSET ?"
    return sql, [*values, query.limit, query.offset]


def _match(words: str) -> str:
    """Typed words as an FTS5 query: every word, each as a prefix; nothing typed is an operator."""
    tokens = ["".join(c if c.isalnum() else " " for c in word).split() for word in words.split()]
    flat = [t for token in tokens for t in token]
    if not flat:
        raise InputError(f"'{words}' holds no word to look for")
    return " ".join(f'"{t}"*' for t in flat)
