"""A page that needs nothing else, and no network, to be read or printed."""

from __future__ import annotations

from html import escape


def html_page(title: str, style: str, body: str) -> str:
    """`title`: text; `style`: CSS; `body`: HTML."""
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>{escape(title)}</title>
<style>
{style}</style>
</head>
<body>
{body}</body>
</html>
"""
