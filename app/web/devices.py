"""What a browser says of itself, as people name it."""

from __future__ import annotations


def device_words(agent: str) -> str:
    """A browser's long description of itself as two words people know."""
    browsers = (("Edg", "Edge"), ("Firefox", "Firefox"), ("Chrome", "Chrome"), ("Safari", "Safari"))
    systems = (
        ("Android", "Android"),
        ("iPhone", "iPhone"),
        ("iPad", "iPad"),
        ("Windows", "Windows"),
        ("Mac OS", "Mac"),
        ("Linux", "Linux"),
    )
    browser = next((name for mark, name in browsers if mark in agent), "")
    system = next((name for mark, name in systems if mark in agent), "")
    return " on ".join(part for part in (browser, system) if part) or agent[:40] or "unknown device"
