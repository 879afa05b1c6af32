"""QR codes of private links: for a page, for paper, for the terminal. Error correction M."""

from __future__ import annotations

import io


def svg(link: str, *, scale: int = 4, title: str = "QR code of the link") -> str:
    """An SVG element to stand in a page; black on white in either theme, or phones cannot read it."""
    import segno

    buffer = io.BytesIO()
    segno.make(link, error="m", micro=False).save(
        buffer,
        kind="svg",
        scale=scale,
        border=4,
        dark="#000",
        light="#fff",
        xmldecl=False,
        svgclass="qr",
        lineclass=None,
        title=title,
    )
    return buffer.getvalue().decode().strip()


def modules(link: str) -> list[list[bool]]:
    """Rows of dark and light, without the border."""
    import segno

    return [[bool(cell) for cell in row] for row in segno.make(link, error="m", micro=False).matrix]


def terminal(link: str) -> str:
    """The code in half blocks, for a terminal."""
    import segno

    buffer = io.StringIO()
    segno.make(link, error="m", micro=False).terminal(out=buffer, compact=True)
    return buffer.getvalue()
