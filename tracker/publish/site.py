"""Going through all that is published, once; what is made of the same as last time is not made again."""

from __future__ import annotations

import hashlib
import importlib.resources
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Final

import tracker
from tracker.book import Book
from tracker.errors import Refused
from tracker.lineage import Reader, SpoolHistory, questions
from tracker.model import BookRecord
from tracker.orientation import oriented
from tracker.plugins import Plugged
from tracker.publish import describing
from tracker.publish.drawing import Curve, curves, strips, thinned
from tracker.publish.evidence import (
    PublishedRecording,
    drawn,
    figure_lines,
    group_of,
    measurement_data,
    measurements_data,
    measurements_of,
    packed_json,
    read_packed,
    recordings,
    way_of,
)
from tracker.publish.gathering import CAUTIONS, LICENCES, Gathered, gather, name_of, slug
from tracker.publish.leaving import Choice, listed
from tracker.publish.manifest import HEAD, Site, published
from tracker.publish.pages import (
    Test,
    aside_page,
    dry_and_wet,
    front,
    index_page,
    job_page,
    material_page,
    method_page,
    method_path,
    moved_page,
    section,
    shared_factors,
    spool_page,
    strips_of,
    subject_page,
)
from tracker.publish.tables import TABLES
from tracker.selection import Filter
from tracker.table import strengths
from tracker.trace import described_by
from tracker.trace.history import Written, journal_of
from tracker.trace.prov import prov
from tracker.verify import head_now

Step = Callable[[int, int], None]
"""Is told of progress: measurements done, of all."""

_MODULUS: Final = "tensile.modulus"
_OVER_EACH_OTHER: Final = 60
"""Curves in one picture; more would be a grey field."""


@dataclass(frozen=True)
class Published:
    """What was written, or in a dry run would be.

    Attributes:
        folder: Where.
        materials: Pages of materials.
        measurements: Pages of measurements.
        files: Files in all.
        changed: Files that this run wrote.
        leaving: Every free text, name and file that leaves, a line each.
        licence: SPDX identifier of the licence of the data; empty where none was chosen.
    """

    folder: Path
    materials: int
    measurements: int
    files: int
    changed: int
    leaving: tuple[str, ...]
    licence: str


def publish(
    book: Book,
    plugged: Plugged,
    folder: Path,
    where: Filter | None = None,
    step: Step | None = None,
    *,
    choice: Choice | None = None,
    dry: bool = False,
) -> Published:
    """Write the summary of a book, and everything behind it, into a folder of pages and open data.

    The same book gives the same bytes, on any day. Only files that were published into the folder before are
    replaced or removed.

    Args:
        book: Read only.
        plugged: The methods.
        folder: New, empty, or published before.
        where: Only results of which this holds.
        step: Is told how far it is.
        choice: What leaves beyond the usual.
        dry: Write nothing; say what would leave.

    Raises:
        Refused: There is nothing to publish, the folder holds other things, or it cannot be written.
    """
    found = gather(book, plugged, where, choice)
    with published(folder, dry=dry) as site:
        made = _Making(site, found, book, plugged)
        made.records(step or (lambda *_: None))
        made.summary()
        made.described()
        head = head_now(book)
        site.note_head(head.as_json())
        noted = (
            f"number and hash of the journal's last entry, {head.entry}; they tell nothing of what it says"
        )
        found.leaving.files[HEAD] = noted
        found.leaving.files |= _kinds_of_files(site.files)
        # Two manifests, the list of what was made of what, the bag's own file, the head.
        count = len(site.files) + 5
    changed = len(site.changed)
    return Published(
        folder,
        len(found.slugs),
        len(found.measurements),
        count,
        changed,
        tuple(listed(found.leaving)),
        found.about.licence,
    )


def choose_publication(
    book: Book, who: str, *, licence: str | None = None, author: str | None = None, address: str | None = None
) -> None:
    """Record in the book under which licence, by whom and where its data are published; None leaves as it is.

    Raises:
        Refused: The licence is none of those for data.
    """
    if licence and licence not in LICENCES:
        raise Refused(f"{licence} is no licence for data here", do=f"Choose one of {', '.join(LICENCES)}")
    if address and not address.startswith(("https://", "http://")):
        raise Refused(f"{address} is no address of a site", do="Write it as https://example.org")
    chosen = {"licence": licence, "author": author, "public_address": address}
    with book.act("publication", who) as act:
        row = act.session.get_one(BookRecord, 1)
        for name, value in chosen.items():
            if value is not None:
                setattr(row, name, value or None)


@cache
def _program() -> str:
    """Return a digest of what makes the pages: another version makes all of them again."""
    found = hashlib.sha256(getattr(tracker, "__version__", "").encode())
    for root in ("tracker.publish", "tracker.trace"):
        files = importlib.resources.files(root)
        for folder in (files, files / "templates"):
            names = sorted(each.name for each in folder.iterdir()) if folder.is_dir() else []
            for name in names:
                if name.endswith((".py", ".html", ".css", ".js")):
                    found.update((folder / name).read_bytes())
    return found.hexdigest()


def _kinds_of_files(paths: Iterable[str]) -> dict[str, str]:
    """Return the files of a site but recordings, plates and logs: tables by name, others counted."""
    counts: Counter[str] = Counter()
    found = {}
    for path in paths:
        folder = path.rpartition("/")[0]
        if path.startswith(("data/recordings/", "data/plates/", "data/logs/")):
            continue
        if folder in ("", "data"):
            found[path] = "from the records above"
        else:
            counts[f"{folder}/" if "." not in folder else "pages of IDs"] += 1
    return found | {f"{folder}": f"{count} files from the records above" for folder, count in counts.items()}


def _digest(*parts: Any) -> str:
    return hashlib.sha256(repr(parts).encode()).hexdigest()


class _Making:
    """Makes the files of one site."""

    def __init__(self, site: Site, found: Gathered, book: Book, plugged: Plugged) -> None:
        self._site = site
        self._found = found
        self._book = book
        self._plugged = plugged
        self._describe = cache(described_by(plugged))
        about = replace(found.about, version=found.about.version.min, changed=found.about.changed.min)
        self._common = _digest(_program(), about, found.leaving.choice, sorted(found.leaving.people.items()))
        self._curves: dict[str, tuple[tuple[str, str], list[Curve]] | None] = {}
        self._entries: dict[int, Written] = {}
        self._by_group: dict[str, list[str]] = defaultdict(list)
        for ident, path in found.paths.items():
            self._by_group[group_of(path)].append(ident)

    def _method(self, name: str) -> Any:
        loaded = self._plugged.methods.get(name)
        return None if loaded is None else loaded.method

    def records(self, step: Step) -> None:
        """Make the pages and data of every job and spool, with its pieces and measurements."""
        found, groups = self._found, self._by_group
        spools = found.spools()
        done, count = 0, len(found.paths)
        with Reader(self._book.engine) as reader:
            for ident in [*found.prints, *spools]:
                key = self._key(ident, spools.get(ident))
                if not self._site.unchanged(ident, key):
                    with self._site.group(ident, key):
                        self._group(reader, ident, spools.get(ident))
                done += len(groups.get(ident, ()))
                step(done, count)
        self._note_recordings()

    def _key(self, ident: str, spool: SpoolHistory | None) -> str:
        """Return a digest of all that the pages and data of a job or spool are made of."""
        found = self._found
        pieces = found.pieces_of(ident)
        return _digest(
            self._common,
            found.keys.get(ident, ""),
            [(name, found.keys[name], sorted(found.factors.get(name, {}).items())) for name in pieces],
            [self._key_of_measurement(each) for each in self._by_group.get(ident, ())],
            [] if spool is None else [spool, found.printed_from(spool.spool.id)],
        )

    def _key_of_measurement(self, ident: str) -> list[Any]:
        found = self._found
        results = found.measurements[ident]
        method = self._method(results[0].row.method)
        return [
            found.keys[ident],
            getattr(method, "version", ""),
            getattr(method, "standard", ""),
            getattr(method, "formulas", ""),
            found.slugs[name_of(results[0].row)],
            found.answers.get(ident),
            [(each.title, each.standing) for each in results],
        ]

    def _group(self, reader: Reader, group: str, spool: SpoolHistory | None) -> None:
        """Make the pages of a job with its specimens, or of a spool, and the data of their measurements."""
        found, site = self._found, self._site
        tests: dict[str, list[Test]] = defaultdict(list)
        data, graph = [], dict[str, dict[str, Any]]()
        for ident in self._by_group.get(group, ()):
            path = found.paths[ident]
            path.journal = found.leaving.journal(journal_of(reader, path.touched(), self._entries))
            method = self._method(path.measured[0].measurement.method)
            way = way_of(found, self._book, path, self._describe)
            files = recordings(found, self._book, self._plugged, ident, path)
            for each in files:
                if each.path:
                    site.put(each.path, each.data)
            self._note_leaving(ident, files)
            subject = found.measurements[ident][0].row.specimen
            tests[subject].append(section(found, self._book, ident, way, files, method, self._drawn(ident)))
            site.put(f"{found.about.path(ident)}index.html", moved_page(found, ident, subject))
            data.append(measurement_data(found, way, ident, files, method))
            _merge(graph, prov(replace(way, described={})), ident)
        if spool is None:
            pieces = found.pieces_of(group)
            alike = shared_factors(found, pieces)
            text = job_page(found, self._book, group, pieces, alike)
            site.put(f"{found.about.path(group)}index.html", text)
            for ident in pieces:
                text = subject_page(found, self._book, ident, tests[ident], group, alike)
                site.put(f"{found.about.path(ident)}index.html", text)
        else:
            text = spool_page(found, self._book, group, spool, tests[group])
            site.put(f"{found.about.path(group)}index.html", text)
        if data:
            document = measurements_data(found, group, data)
            site.put(f"data/measurements/{group}.json.gz", packed_json(document))
            # The format knows no comments: its caution is an entity.
            caution = {"prov:label": "caution", "prov:value": CAUTIONS}
            graph.setdefault("entity", {})["sb:caution"] = caution
            site.put(f"data/provenance/{group}.json.gz", packed_json(graph))

    def _drawn(self, ident: str) -> str:
        """Return the curve of a measurement as SVG; empty where it has none, or nothing is written."""
        figure = self._lines(ident)
        if figure is None:
            return ""
        method = self._found.measurements[ident][0].row.method
        return drawn(f"{ident} {self._found.methods.get(method, method)}", *figure)

    def _lines(self, ident: str) -> tuple[tuple[str, str], list[Curve]] | None:
        """Return the lines of a measurement's curve, thinned to what is drawn; kept for pictures of many."""
        if ident not in self._curves:
            figure = figure_lines(self._book, self._plugged, self._found, ident)
            thin = None if figure is None else (figure[0], [thinned(each) for each in figure[1]])
            self._curves[ident] = thin
        return self._curves[ident]

    def _note_leaving(self, ident: str, files: Sequence[PublishedRecording]) -> None:
        leaving = self._found.leaving
        for each in files:
            if each.path:
                self._found.recordings[ident, each.field] = each.path
                changed = f", {each.why}" if each.why else ""
                leaving.files[each.name] = f"recording, {len(each.data)} bytes{changed}"
            else:
                leaving.kept[each.name] = each.why

    def _note_recordings(self) -> None:
        """Take over from groups that stand as they are which recordings their measurements have."""
        found = self._found
        noted = {ident for ident, _ in found.recordings}
        for group, idents in self._by_group.items():
            if any(found.paths[each].measured[0].files and each not in noted for each in idents):
                document = read_packed(self._site.root / f"data/measurements/{group}.json.gz")
                for each in measurements_of(document):
                    paths = {(each["id"], file["field"]): file.get("path") for file in each.get("files", ())}
                    found.recordings |= {key: path for key, path in paths.items() if path}

    def summary(self) -> None:
        """Make the front page with its pictures, the pages of materials, and what was set aside."""
        found, site = self._found, self._site
        table = front(found)
        pictures = [
            self._picture(f"pictures/{slug(quantity)}.svg", found.heading(quantity), lines)
            for quantity in (*strengths(self._plugged), _MODULUS)
            if (lines := strips_of(found, table, quantity))
        ]
        for quantity in strengths(self._plugged):
            if lines := dry_and_wet(found, quantity):
                title = f"{found.heading(quantity)}, dried beside not dried"
                pictures.append(self._picture(f"pictures/dried-{slug(quantity)}.svg", title, lines))
        methods = {result.row.method for result in found.all()}
        for name in sorted(methods & set(self._plugged.methods)):
            method = self._method(name)
            site.put(method_path(method), method_page(found, method))
        site.put("index.html", index_page(found, pictures, self._found.methods))
        site.put("set-aside.html", aside_page(found, self._book))
        for name in found.slugs:
            self._material(name)
        for name in ("site.css", "site.js"):
            file = importlib.resources.files("tracker.publish") / "templates" / name
            site.put(f"assets/{name}", file.read_bytes())

    def _picture(self, path: str, title: str, lines: Any) -> tuple[str, str]:
        self._site.put(path, strips(title, lines))
        return path, title

    def _material(self, name: str) -> None:
        found = self._found
        own = slug_of = found.slugs[name]
        table = replace(found.whole, rows=[row for row in found.whole.rows if row.material == name])
        pictures = []
        for quantity in dict.fromkeys(column.quantity for column in table.columns):
            if lines := strips_of(found, table, quantity, one=True):
                path = f"pictures/{own}-{slug(quantity)}.svg"
                pictures.append(self._picture(path, found.heading(quantity), lines))
        pictures += self._overlays(name, slug_of)
        self._site.put(f"materials/{own}.html", material_page(found, self._book, name, pictures))

    def _overlays(self, material: str, own: str) -> Iterator[tuple[str, str]]:
        """Yield pictures of the curves of a material over each other, a method each."""
        found = self._found
        by_method: dict[str, list[str]] = defaultdict(list)
        for ident, results in found.measurements.items():
            if name_of(results[0].row) == material and any(t.row.counted for t in results):
                by_method[results[0].row.method].append(ident)
        for method, idents in sorted(by_method.items()):
            some = idents[:: max(1, -(-len(idents) // _OVER_EACH_OTHER))]
            path = f"pictures/{own}-{slug(method)}-curves.svg"
            share = "" if len(some) == len(idents) else f", {len(some)} of {len(idents)}"
            title = f"{found.methods.get(method, method)}, curves over each other{share}"
            if len(some) < 2 or method not in self._plugged.methods:  # noqa: PLR2004 - one is no comparison
                continue
            key = _digest(_program(), title, [self._key_of_measurement(each) for each in some])
            if self._site.unchanged(path, key):
                if path in self._site.files:
                    yield path, title
                continue
            picture = self._over_each_other(title, some)
            with self._site.group(path, key):
                if picture:
                    self._site.put(path, picture)
            if picture:
                yield path, title

    def _over_each_other(self, title: str, idents: Sequence[str]) -> str:
        found = self._found
        orientation = {each: oriented(found.measurements[each][0].row.orientation) for each in idents}
        groups = list(dict.fromkeys(orientation.values()))
        axes, lines = ("", ""), list[Curve]()
        for each in idents:
            figure = self._lines(each)
            if figure is not None and (not lines or figure[0] == axes):
                axes = figure[0]
                lines.append(replace(figure[1][0], group=groups.index(orientation[each])))
        return curves(title, axes, lines, groups) if len(lines) > 1 else ""

    def described(self) -> None:
        """Write the tables, and what describes them."""
        found, site = self._found, self._site
        if found.leaving.choice.plates:
            self._plates()
        sizes = {}
        for table in TABLES:
            text = table.text(found)
            site.put(table.path, text)
            sizes[table.path] = (hashlib.sha256(text.encode()).hexdigest(), len(text.encode()))
        site.put("data/csv-metadata.json", describing.as_text(describing.csvw(found)))
        site.put("datapackage.json", describing.as_text(describing.data_package(found, sizes)))
        payload = sorted(path for path in site.files if path.startswith("data/"))
        site.put("ro-crate-metadata.json", describing.as_text(describing.ro_crate(found, payload)))
        site.put("CITATION.cff", describing.citation(found))
        site.put("LICENCE.txt", describing.licence_text(found))
        site.put("README.md", describing.readme(found))
        site.put("feed.xml", describing.feed(found, self._changes()))
        site.put("bag-info.txt", describing.bag_info(found, site.size_of(payload), len(payload)))

    def _plates(self) -> None:
        """Let plate files and logs leave, whole: they were chosen."""
        for ident, printed in self._found.prints.items():
            files = [(printed.job.plate_sha256, f"data/plates/{ident}.gcode")]
            endings = self._found.endings
            files += [
                (log.sha256, f"data/logs/{ident}-{log.id}{endings.get((ident, str(log.id)), '')}")
                for log in printed.logs
            ]
            for digest, path in files:
                if digest is None:
                    continue
                try:
                    data = self._book.files.get(digest)
                except Refused:
                    self._found.leaving.kept[path] = "it is missing from the book"
                    continue
                self._site.put(path, data)
                self._found.leaving.files[path] = f"as the printer got it, {len(data)} bytes"

    def _changes(self) -> list[tuple[str, str, str]]:
        """Return what changed, newest first: each measurement at the newest entry behind its own results."""
        found = self._found
        latest = sorted(found.written.items(), key=lambda each: (-each[1], each[0]))[:60]
        with Reader(self._book.engine) as reader:
            at = {
                p["entry"].seq: p["entry"].at
                for p in reader.ask(questions.ENTRIES, [seq for _, seq in latest])
            }
        return [
            (at[seq].strftime("%Y-%m-%dT%H:%M:%SZ"), ident, self._answer_text(ident))
            for ident, seq in latest
            if seq in at
        ]

    def _answer_text(self, ident: str) -> str:
        results = self._found.measurements[ident]
        values = "; ".join(f"{t.title.partition(' [')[0]} {t.standing}" for t in results[:3])
        return f"{ident} on {results[0].row.specimen}, {name_of(results[0].row)}: {values}"


def _merge(into: dict[str, dict[str, Any]], document: Mapping[str, Mapping[str, Any]], ident: str) -> None:
    """Add a PROV document to another; relations, numbered in each, get names of their own."""
    for kind, entries in document.items():
        own = into.setdefault(kind, {})
        for name, entry in entries.items():
            if name.startswith("_:"):
                own[f"{name}-{ident}"] = entry
            else:
                own.setdefault(name, {}).update(entry) if isinstance(entry, dict) else own.update(
                    {name: entry}
                )
