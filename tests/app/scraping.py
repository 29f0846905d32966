"""Helpers: a daemon's figures as Prometheus would scrape and read them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
from prometheus_client.parser import text_string_to_metric_families

from logger.app import read_address

Figures = dict[str, float]
"""``name{label="value"}`` -> value."""


def read_figures(text: str) -> Figures:
    """Every sample of a scrape, by its name and labels in the order given."""
    figures: Figures = {}
    for family in text_string_to_metric_families(text):
        for sample in family.samples:
            labels = ",".join(f'{key}="{value}"' for key, value in sample.labels.items())
            figures[f"{sample.name}{{{labels}}}" if labels else sample.name] = sample.value
    return figures


def total(figures: Figures, name: str) -> float:
    """The sum over all labels."""
    return sum(value for key, value in figures.items() if key.partition("{")[0] == f"tallydeck_{name}")


class Scraper:
    """Scrapes the daemon that keeps its journal in a folder."""

    def __init__(self, directory: Path) -> None:
        address = read_address(directory)
        headers = {"Authorization": f"Bearer {address.token}"}
        self.client = httpx.Client(base_url=address.url, headers=headers, trust_env=False, timeout=15)

    def text(self) -> str:
        answer = self.client.get("/metrics")
        assert answer.status_code == 200, answer.text
        return answer.text

    def figures(self) -> Figures:
        return read_figures(self.text())

    def difference(self, ledger: str = "frames") -> float:
        return self.figures()[f'tallydeck_ledger_difference{{ledger="{ledger}"}}']


@contextmanager
def scraping(directory: Path) -> Iterator[Scraper]:
    scraper = Scraper(directory)
    with scraper.client:
        yield scraper
