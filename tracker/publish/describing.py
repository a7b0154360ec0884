"""What the site says of itself to programs: Data Package, RO-Crate, schema.org, citation, licence, feed."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Final
from xml.sax.saxutils import escape, quoteattr

from tracker.publish.gathering import CAUTIONS, LICENCES, Gathered
from tracker.publish.tables import TABLES, Table

_PROFILES: Final = "https://datapackage.org/profiles/2.0"
_WHAT: Final = (
    "Results of tests on 3D-printed specimens, each with its raw readings, its uncertainty and its way back "
    "to print, filament, storage and drying."
)


def as_text(value: Any) -> str:
    """Return JSON as this site writes it: readable, the same bytes for the same value."""
    return json.dumps(value, ensure_ascii=False, indent=1) + "\n"


def data_package(found: Gathered, digests: Mapping[str, tuple[str, int]]) -> dict[str, Any]:
    """Return ``datapackage.json`` (Data Package 2.0) of the tables.

    Args:
        found: What is published.
        digests: SHA-256 and size in bytes of the CSV files, by path.
    """
    about = found.about
    package: dict[str, Any] = {
        "$schema": f"{_PROFILES}/datapackage.json",
        "name": f"strandbook-{about.code.lower()}",
        "id": f"urn:strandbook:{about.code}",
        "title": about.title,
        "description": f"{_WHAT} {CAUTIONS}",
        "version": str(about.version),
        "created": about.changed.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "contributors": [{"title": about.author or about.title, "roles": ["author"]}],
        "resources": [_resource(each, *digests[each.path]) for each in TABLES],
    }
    if about.address:
        package["homepage"] = f"{about.address}/"
    if about.licence:
        title, path = LICENCES.get(about.licence, (about.licence, ""))
        package["licenses"] = [{"name": about.licence, "title": title, **({"path": path} if path else {})}]
    return package


def _resource(table: Table, digest: str, size: int) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "$schema": f"{_PROFILES}/tableschema.json",
        "fields": [
            {
                "name": each.name, "type": each.type, "title": each.title,
                **({"unit": each.unit} if each.unit else {}),
                **({"format": "default"} if each.type in ("datetime", "date") else {}),
            }
            for each in table.fields
        ],
        "missingValues": [""],
    }  # fmt: skip
    if table.key:
        schema["primaryKey"] = list(table.key)
    if table.refers:
        schema["foreignKeys"] = [
            {"fields": [name], "reference": {"resource": other, "fields": [column]}}
            for name, (other, column) in table.refers.items()
        ]
    return {
        "$schema": f"{_PROFILES}/dataresource.json",
        "name": table.name, "type": "table", "path": table.path, "title": table.title, "format": "csv",
        "mediatype": "text/csv", "encoding": "utf-8", "bytes": size, "hash": f"sha256:{digest}",
        "schema": schema,
    }  # fmt: skip


def csvw(found: Gathered) -> dict[str, Any]:
    """Return the description of the CSV files as CSV on the Web has it (W3C Recommendation, 2015)."""
    kinds = {
        "number": "double",
        "integer": "integer",
        "boolean": "boolean",
        "date": "date",
        "datetime": "dateTime",
    }
    return {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "dc:title": found.about.title,
        "dc:description": CAUTIONS,
        "tables": [
            {
                "url": table.path.removeprefix("data/"),
                "dc:title": table.title,
                "tableSchema": {
                    "columns": [
                        {
                            "name": each.name, "titles": each.name, "dc:description": each.title,
                            "datatype": kinds.get(each.type, "string"),
                            **({"schema:unitText": each.unit} if each.unit else {}),
                        }
                        for each in table.fields
                    ],
                    **({"primaryKey": list(table.key)} if table.key else {}),
                },
            }
            for table in TABLES
        ],
    }  # fmt: skip


def ro_crate(found: Gathered, files: Sequence[str]) -> dict[str, Any]:
    """Return ``ro-crate-metadata.json`` (RO-Crate 1.1) over the files of the site's data."""
    about = found.about
    author = {"@id": "#author"}
    licence = LICENCES.get(about.licence, ("", ""))
    root: dict[str, Any] = {
        "@id": "./", "@type": "Dataset", "name": about.title, "description": f"{_WHAT} {CAUTIONS}",
        "datePublished": str(about.version), "version": str(about.version), "author": author,
        "identifier": f"urn:strandbook:{about.code}", "hasPart": [{"@id": path} for path in files],
        "license": {"@id": licence[1] or "LICENCE.txt"},
    }  # fmt: skip
    described = {each.path: each.title for each in TABLES}
    graph: list[dict[str, Any]] = [
        {
            "@id": "ro-crate-metadata.json", "@type": "CreativeWork", "about": {"@id": "./"},
            "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
        },
        root,
        {"@id": "#author", "@type": "Organization", "name": about.author or about.title},
        {
            "@id": root["license"]["@id"], "@type": "CreativeWork",
            "name": licence[0] or "No licence was chosen: all rights reserved",
        },
    ]  # fmt: skip
    for path in files:
        entity = {
            "@id": path,
            "@type": "File",
            "encodingFormat": _MEDIA.get(path.rpartition(".")[2].lower(), "application/octet-stream"),
        }
        graph.append(entity | ({"description": described[path]} if path in described else {}))
    return {"@context": "https://w3id.org/ro/crate/1.1/context", "@graph": graph}


_MEDIA: Final = {
    "csv": "text/csv", "json": "application/json", "wav": "audio/wav", "gz": "application/gzip",
    "gcode": "text/x.gcode", "txt": "text/plain", "html": "text/html", "svg": "image/svg+xml",
}  # fmt: skip


def schema_org(found: Gathered) -> str:
    """Return the front page's description as schema.org has it, safe within a script element."""
    about = found.about
    dataset: dict[str, Any] = {
        "@context": "https://schema.org", "@type": "Dataset", "name": about.title,
        "description": f"{_WHAT} {CAUTIONS}", "version": str(about.version),
        "dateModified": str(about.version), "identifier": f"urn:strandbook:{about.code}",
        "creator": {"@type": "Organization", "name": about.author or about.title},
        "variableMeasured": [
            {
                "@type": "PropertyValue", "name": found.titles[name], "propertyID": name,
                "unitText": found.units[name],
            }
            for name in sorted(found.titles)
        ],
        "distribution": [
            {
                "@type": "DataDownload", "name": each.name, "encodingFormat": "text/csv",
                "contentUrl": each.path,
            }
            for each in TABLES
        ],
    }  # fmt: skip
    if about.licence:
        dataset["license"] = LICENCES.get(about.licence, ("", about.licence))[1]
    if about.address:
        dataset["url"] = f"{about.address}/"
    return json.dumps(dataset, ensure_ascii=False).replace("<", "\\u003c")


def citation(found: Gathered) -> str:
    """Return ``CITATION.cff`` (Citation File Format 1.2.0)."""
    about = found.about
    lines = [
        "cff-version: 1.2.0",
        "message: Please cite these data as follows.",
        "type: dataset",
        f"title: {_yaml(about.title)}",
        "authors:",
        f"  - name: {_yaml(about.author or about.title)}",
        f"version: {_yaml(str(about.version))}",
        f"date-released: {about.version}",
        "identifiers:",
        "  - type: other",
        f"    value: {_yaml(f'urn:strandbook:{about.code}')}",
    ]
    if about.licence:
        lines.append(f"license: {about.licence}")
    if about.address:
        lines.append(f"url: {_yaml(f'{about.address}/')}")
    return "\n".join(lines) + "\n"


def _yaml(text: str) -> str:
    # JSON's strings are YAML's double-quoted ones.
    return json.dumps(text, ensure_ascii=False)


def licence_text(found: Gathered) -> str:
    """Return ``LICENCE.txt``: which licence the data are under, or that none was chosen."""
    about = found.about
    if not about.licence:
        return (
            "No licence was chosen for these data: all rights are reserved by whoever published them. Ask "
            "them before you use the data for more than reading.\n"
        )
    title, path = LICENCES.get(about.licence, (about.licence, ""))
    return f"SPDX-License-Identifier: {about.licence}\n\n{title}\n{path}\n\n© {about.author or about.title}\n"


def readme(found: Gathered) -> str:
    """Return ``README.md``: what lies where, how to read it and how to check it."""
    about = found.about
    tables = "\n".join(f"- `{each.path}`: {each.title}" for each in TABLES)
    return f"""# {about.title}

{_WHAT}

Version {about.version}. Publisher: {about.author or "not stated"}.
Licence: {about.licence or "none chosen, all rights reserved"}.

{CAUTIONS}

## What is where

Open `index.html`: it works from a disk. Every ID on a label has a page, `ID.{about.code}/`, whose address
never changes.

{tables}
- `data/measurements/`: the measurements of each job as JSON (packed by gzip), complete enough to
  compute their numbers again. What all of a job have alike stands in `shared`, beside each one's own.
- `data/recordings/`: the recordings as they were read.
- `data/provenance/`: the way back as W3C PROV-JSON (packed by gzip), one file a job.

`datapackage.json` (Data Package 2.0) describes the tables, `data/csv-metadata.json` does for CSV on the Web,
`ro-crate-metadata.json` (RO-Crate 1.1) the files. The folder is a bag (RFC 8493):
`sha256sum -c manifest-sha256.txt`.

## Check it

`strandbook check FOLDER` computes every number again from its own readings and recordings, without the book.
"""


def bag_info(found: Gathered, size: int, count: int) -> str:
    """Return ``bag-info.txt`` (RFC 8493) for a payload of so many bytes and files."""
    about = found.about
    return (
        f"Source-Organization: {' '.join((about.author or about.title).split())}\n"
        f"External-Identifier: urn:strandbook:{about.code}\n"
        f"Bagging-Date: {about.version}\nPayload-Oxum: {size}.{count}\n"
    )


_ENTRIES: Final = 60


def feed(found: Gathered, changes: Sequence[tuple[str, str, str]]) -> str:
    """Return ``feed.xml``: what changed, newest first (Atom, RFC 4287).

    Args:
        found: What is published.
        changes: Moment (RFC 3339), ID and sentence of each change, newest first.
    """
    about = found.about
    updated = about.changed.strftime("%Y-%m-%dT%H:%M:%SZ")
    base = f" xml:base={quoteattr(about.address + '/')}" if about.address else ""
    entries = "".join(
        f"<entry><id>urn:strandbook:{about.code}:{ident}:{moment}</id><title>{escape(text)}</title>"
        f"<updated>{moment}</updated><link href={quoteattr(about.path(ident))}/>"
        f"<summary>{escape(text)}</summary></entry>\n"
        for moment, ident, text in changes[:_ENTRIES]
    )
    return (
        f'<?xml version="1.0" encoding="utf-8"?>\n<feed xmlns="http://www.w3.org/2005/Atom"{base}>\n'
        f"<id>urn:strandbook:{about.code}</id><title>{escape(about.title)}</title>"
        f"<updated>{updated}</updated><author><name>{escape(about.author or about.title)}</name></author>"
        f'<link rel="self" href="feed.xml"/><link href="index.html"/>\n{entries}</feed>\n'
    )
