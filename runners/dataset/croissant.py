"""The description of a data set for programs: Croissant 1.0 of MLCommons, in JSON-LD.

Specification: Croissant Format Specification, version 1.0, 2024-03-01,
http://mlcommons.org/croissant/1.0.
"""

from __future__ import annotations

from base64 import urlsafe_b64encode
from collections.abc import Mapping, Sequence
from typing import Any

from ...ground.checksum import sha256
from ...ground.columns import Column
from ...simulator.stack.frameio import FORMATS
from .columns import FRAME_COLUMNS, STACK_COLUMNS
from .index import FRAMES, STACKS, StackFacts
from .papers import LICENCE_URL, command_of, title_of
from .plan import DatasetPlan
from .splits import SPLITS

DESCRIPTION = "croissant.json"
_TERMS = (
    *("citeAs", "column", "equivalentProperty", "extract", "field", "fileProperty", "fileObject"),
    *("fileSet", "format", "includes", "isLiveDataset", "jsonPath", "key", "md5", "parentField"),
    *("path", "recordSet", "references", "regex", "repeated", "replace", "samplingRate"),
    *("separator", "source", "subField", "transform"),
)
#: The names of the specification, section "Namespaces"; all of them, also what is not used here.
_CONTEXT: dict[str, Any] = {
    "@language": "en",
    "@vocab": "https://schema.org/",
    "sc": "https://schema.org/",
    "cr": "http://mlcommons.org/croissant/",
    "rai": "http://mlcommons.org/croissant/RAI/",
    "dct": "http://purl.org/dc/terms/",
    "conformsTo": "dct:conformsTo",
    "data": {"@id": "cr:data", "@type": "@json"},
    "examples": {"@id": "cr:examples", "@type": "@json"},
    "dataType": {"@id": "cr:dataType", "@type": "@vocab"},
    **{term: f"cr:{term}" for term in _TERMS},
}
_CLASSES = {"train": "Training", "validation": "Validation", "test": "Test"}
_MEDIA = {".csv": "text/csv", ".jsonl": "application/jsonlines"}
_PICTURES = {".tif": "image/tiff", ".png": "image/png", ".jpg": "image/jpeg"}
_KINDS = ((bool, "sc:Boolean"), (int, "sc:Integer"), (float, "sc:Float"))


def description(
    plan: DatasetPlan,
    facts: Sequence[StackFacts],
    tables: Mapping[str, str],
    *,
    date: str,
    total: str,
    version: str,
) -> dict[str, Any]:
    """Return the description of a data set.

    Parameters
    ----------
    plan : DatasetPlan
    facts : sequence of StackFacts
    tables : mapping of str to str
        Text of each table by the name of its file.
    date : str
        When it was made, YYYY-MM-DD.
    total : str
        Its checksum.
    version : str
        Of the program.
    """
    return {
        "@context": _CONTEXT,
        "@type": "sc:Dataset",
        "conformsTo": "http://mlcommons.org/croissant/1.0",
        "name": f"stacktruth-{total[:12]}",
        "description": (
            f"{title_of(plan, facts)}: computed, so that depth, pose, focus and light of each "
            f"frame are known. Made by stacktruth {version}: {command_of(plan)}"
        ),
        "license": LICENCE_URL,
        "url": name_by_content(total),
        "creator": {"@type": "sc:Organization", "name": f"stacktruth {version}"},
        "datePublished": date,
        "version": "1.0.0",
        "citeAs": f"Computed by stacktruth {version}. SHA-256 of SHA256SUMS: {total}.",
        "keywords": ["focus stacking", "shape from focus", "macro", "simulation"],
        "isLiveDataset": False,
        "distribution": [*_files(tables), _pictures(plan)],
        "recordSet": [
            _splits(),
            _records(STACKS, STACK_COLUMNS, [one.row for one in facts], key="name"),
            _records(FRAMES, FRAME_COLUMNS, [row for one in facts for row in one.frames]),
        ],
    }


def name_by_content(total: str) -> str:
    """Return a name for what has a checksum, until it has a place (ni, RFC 6920).

    Examples
    --------
    >>> name_by_content("7f83b1657ff1fc53b92dc18148a1d65dfc2d4b1fa3d677284addd200126d9069")
    'ni:///sha-256;f4OxZX_x_FO5LcGBSKHWXfwtSx-j1ncoSt3SABJtkGk'
    """
    return f"ni:///sha-256;{urlsafe_b64encode(bytes.fromhex(total)).decode().rstrip('=')}"


def _files(tables: Mapping[str, str]) -> list[dict[str, Any]]:
    return [
        {
            "@type": "cr:FileObject",
            "@id": name,
            "name": name,
            "contentUrl": name,
            "contentSize": f"{len(text.encode())} B",
            "encodingFormat": _MEDIA[name[name.index(".") :]],
            "sha256": sha256(text.encode()),
        }
        for name, text in tables.items()
    ]


def _pictures(plan: DatasetPlan) -> dict[str, Any]:
    suffix = FORMATS[plan.format].suffix
    folders = plan.layout == "folders"
    return {
        "@type": "cr:FileSet",
        "@id": "pictures",
        "name": "pictures",
        "description": "the frames" if folders else "a stack a file: frames, truth, records",
        "encodingFormat": _PICTURES[suffix] if folders else "application/zip",
        "includes": f"stacks/*/frames/*{suffix}" if folders else "stacks/*.npz",
    }


def _splits() -> dict[str, Any]:
    return {
        "@type": "cr:RecordSet",
        "@id": "splits",
        "name": "splits",
        "dataType": "cr:Split",
        "key": {"@id": "splits/name"},
        "field": [
            {"@type": "cr:Field", "@id": "splits/name", "name": "name", "dataType": "sc:Text"},
            {"@type": "cr:Field", "@id": "splits/url", "name": "url", "dataType": "sc:URL"},
        ],
        "data": [
            {
                "splits/name": split,
                "splits/url": f"http://mlcommons.org/croissant/{_CLASSES[split]}Split",
            }
            for split in SPLITS
        ],
    }


def _records(
    name: str, columns: Sequence[Column], rows: Sequence[Mapping[str, Any]], *, key: str = ""
) -> dict[str, Any]:
    return {
        "@type": "cr:RecordSet",
        "@id": name,
        "name": name,
        **({"key": {"@id": f"{name}/{key}"}} if key else {}),
        "field": [_field(name, column, [row[column.name] for row in rows]) for column in columns],
    }


def _field(table: str, column: Column, values: Sequence[Any]) -> dict[str, Any]:
    unit = f" ({column.unit})" if column.unit else ""
    field = {
        "@type": "cr:Field",
        "@id": f"{table}/{column.name}",
        "name": column.name,
        "description": f"{column.meaning}{unit}",
        "dataType": _kind(values),
        "source": {
            "fileObject": {"@id": f"{table}.csv"},
            "extract": {"column": column.name},
        },
    }
    if column.name == "split":
        field["references"] = {"field": {"@id": "splits/name"}}
    return field


def _kind(values: Sequence[Any]) -> str:
    """Return the type of a column: of whole numbers with gaps it is that of numbers."""
    for kind, named in _KINDS:
        if values and all(isinstance(value, kind) for value in values):
            return named
    numbers = all(value is None or isinstance(value, int | float) for value in values)
    return "sc:Float" if numbers else "sc:Text"
