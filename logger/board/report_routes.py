"""Reports over the API: the same file that the command line makes, drawn in a process of its own.

GET /api/v1/runs/RUN/report.html and report.pdf, ``?paper=letter`` for US Letter. One at a time.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from functools import partial

from fastapi import FastAPI, Request
from starlette.responses import Response

from logger.board.apart import ApartError, drawn
from logger.board.desk import Desk
from logger.board.problems import problem

PAPERS = ("a4", "letter")
KINDS = {"html": "text/html; charset=utf-8", "pdf": "application/pdf"}
POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'none'; base-uri 'none'; "
    "frame-ancestors 'none'; sandbox"
)
"""A report carries its style and its pictures in itself; it runs nothing and asks for nothing."""


def add_report_routes(
    app: FastAPI, desk: Desk, in_thread: Callable[[Callable[[], Response]], Awaitable[Response]]
) -> None:
    """Add them; ``in_thread`` bounds how many are drawn at once. Before routes of any path of a run."""

    @app.get("/api/v1/runs/{run:path}/report.html")
    async def as_page(run: str, request: Request) -> Response:
        return await in_thread(partial(_report, desk, run, "html", request.query_params.get("paper", "a4")))

    @app.get("/api/v1/runs/{run:path}/report.pdf")
    async def as_pdf(run: str, request: Request) -> Response:
        return await in_thread(partial(_report, desk, run, "pdf", request.query_params.get("paper", "a4")))


def _report(desk: Desk, run: str, kind: str, paper: str) -> Response:
    """Draw it. Blocks: call in a thread."""
    if paper not in PAPERS:
        return problem(
            422, f"paper is {paper[:20]!r}.", f"Ask for {' or '.join(PAPERS)}.", code="no-such-paper"
        )
    if all(each["run"] != run for each in desk.runs()):
        return no_such_run(run)
    try:
        made = drawn(kind, "report", "--journal", str(desk.journal_path), "--paper", paper, last=run)
    except (TimeoutError, ApartError, OSError) as error:
        return not_drawn(error)
    headers = {"Content-Disposition": f'{_SHOWN[kind]}; filename="{_file_name(run)}.{kind}"'}
    if kind == "html":
        headers["Content-Security-Policy"] = POLICY
    return Response(made, headers=headers, media_type=KINDS[kind])


_SHOWN = {"html": "inline", "pdf": "attachment"}


def _file_name(run: str) -> str:
    """A run's name as one of a file: ASCII, nothing that a header or a disk would take for its own."""
    return (
        "".join(each if each.isascii() and each.isalnum() else "-" for each in run)[:60].strip("-") or "run"
    )


def no_such_run(run: str) -> Response:
    return problem(
        404,
        f"There is no run named {run!r}.",
        "Look at /api/v1/runs for those there are.",
        code="no-such-run",
    )


def not_drawn(error: Exception) -> Response:
    """What to say where a process of its own gave no page."""
    if isinstance(error, TimeoutError):
        status, code, what = 504, "too-long", f"It took too long: {error}."
    else:
        status, code, what = 500, "failed", f"It could not be drawn: {error}."
    return problem(status, what, "Draw it by hand: tallydeck report RUN --journal JOURNAL.", code=code)
