"""Browser libraries, served from the installed packages; nothing comes from anywhere else."""

from __future__ import annotations

import gzip
from functools import cache
from importlib.util import find_spec
from pathlib import Path

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

router = APIRouter()
FILES = {
    "htmx.min.js": ("js_lib_htmx", "static/htmx/htmx.min.js"),
    "plotly.min.js": ("plotly", "package_data/plotly.min.js"),
}


@cache
def _load(name: str) -> tuple[bytes, bytes]:
    package, inside = FILES[name]
    # find_spec does not import the package: plotly would cost a tenth of a second for one file.
    spec = find_spec(package)
    if spec is None or spec.origin is None:
        raise HTTPException(500, f"The package {package} is not installed. Run the set-up again.")
    body = (Path(spec.origin).parent / inside).read_bytes()
    return body, gzip.compress(body, 6)


@router.get("/lib/{name}")
def library(request: Request, name: str) -> Response:
    if name not in FILES:
        raise HTTPException(404)
    plain, packed = _load(name)
    headers = {"Cache-Control": "public, max-age=604800", "Vary": "Accept-Encoding"}
    if "gzip" in request.headers.get("Accept-Encoding", ""):
        return Response(packed, headers=headers | {"Content-Encoding": "gzip"}, media_type="text/javascript")
    return Response(plain, headers=headers, media_type="text/javascript")
