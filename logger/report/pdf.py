"""The same page as PDF: tagged for those who listen to it (PDF/UA-1), fonts embedded, the same bytes each
time.

Nothing is fetched: a page carries all that it needs in itself, and an address that is none of its own is a
fault.
"""

from __future__ import annotations

import hashlib
import logging

_LOG = "weasyprint"


class PageError(Exception):
    """A page can't be printed: it asks for something outside itself."""


def pdf(html: str) -> bytes:
    """A page of `page.page` as PDF. PageError where it asks for anything outside.

    The file's identity is a digest of the page, and it holds no date: the same page gives the same bytes
    with the same fonts and the same versions of what draws it.
    """
    from weasyprint import HTML  # a third of a second: only where it is needed
    from weasyprint.urls import FatalURLFetchingError, URLFetcher

    logging.getLogger(_LOG).setLevel(logging.ERROR)  # it remarks on properties that only screens know
    identity = hashlib.sha256(html.encode("utf-8", "surrogatepass")).hexdigest()[:32].encode("ascii")
    own_only = URLFetcher(allowed_protocols=("data",), fail_on_errors=True)
    try:
        made = HTML(string=html, url_fetcher=own_only, base_url="")
        return bytes(made.write_pdf(pdf_variant="pdf/ua-1", pdf_tags=True, pdf_identifier=identity))
    except FatalURLFetchingError as error:
        raise PageError(f"the page asks for what is not in it: {str(error)[:200]}") from None
