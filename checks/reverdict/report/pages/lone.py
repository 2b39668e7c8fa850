"""A page that stands alone: its styles are in it, it has no script, and its content policy lets it load nothing."""

from __future__ import annotations

from reverdict.page_folders import GENERATOR
from reverdict.report import look

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"


def lone_page(title: str, style: str, body: str) -> str:
    """The whole page; ``style`` is what it has beside the common one, ``body`` is markup."""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n{GENERATOR}\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1">\n'
        f'<meta name="referrer" content="no-referrer">\n<title>{title}</title>\n'
        f"<style>{look.INK_AND_PAPER + look.RULER_STYLE + style}</style>\n</head>\n<body>\n{body}</body>\n</html>\n"
    )
