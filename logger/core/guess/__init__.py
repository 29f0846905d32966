"""From bytes of an instrument nobody knows to how it may be described. Pure: nothing here opens a wire.

The way: `score` (do these bytes look like an instrument at all, and what does their top bit say of the
parity), `cut` (where a line ends), `atoms` (numbers, words and the rest of a line), `columns` and
`tokens` (two ways to cells: fixed places, or one after the other), `cells` (what each cell may be),
`layouts` (candidates, tried on every line heard and ranked), `proposal` (what goes into a configuration).
"""
