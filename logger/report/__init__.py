"""Pages to be kept and handed on: one self-contained HTML file, or the same as PDF.

`record` gathers what the journal holds of a run, `style` and `page` say how everything looks, `pdf` prints
it. The same journal gives the same bytes.
"""
