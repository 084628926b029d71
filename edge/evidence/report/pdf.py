"""The page of a pack as PDF, by WeasyPrint (extra `pdf`). A printed copy: only the HTML file can be verified."""

from __future__ import annotations

import logging
from typing import Any

from edge.contract.errors import WrongInput
from edge.evidence.pack import packfile

MISSING = "report: .pdf needs WeasyPrint: pip install 'tailgrain[pdf]'; allowed without it: -o FILE.html"


def need() -> Any:
    """WeasyPrint. Raises WrongInput when it, or a library it needs, is not there."""
    try:
        import weasyprint
    except (ImportError, OSError) as fault:  # OSError: the package is there, Pango is not
        raise WrongInput(f"{MISSING} ({' '.join(str(fault).split())[:120]})") from fault
    return weasyprint


def printed(raw: bytes) -> bytes:
    """The PDF of a finished pack. Nothing is fetched: the page holds all it needs."""
    weasyprint = need()
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    begin = raw.index(packfile.DATA_BEGINS)
    end = raw.index(packfile.DATA_ENDS, begin)
    page = (raw[:begin] + raw[end + len(packfile.DATA_ENDS) :]).decode()
    found: bytes = weasyprint.HTML(string=page, url_fetcher=_nothing, base_url=None).write_pdf()
    return found


def _nothing(url: str, *_: Any, **__: Any) -> Any:
    raise ValueError(f"a pack fetches nothing: {url[:60]}")
