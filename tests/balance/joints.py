"""Joints made by hand: a lot of bronze, sand and slag as its balance could have left it."""

from __future__ import annotations

import numpy as np

from logger.balance.inputs import Input, Inputs, Term, evaluate, jacobian
from logger.balance.joint import Joint, joint_of_balance
from logger.balance.propagate import Draws

STREAMS = ("feed", "concentrate", "middlings", "tailings")
COMPONENTS = ("bronze", "sand")
MASSES = (100.0, 20.0, 10.0, 70.0)
BRONZE = (0.2376, 0.96, 0.30, 0.0223)


def lot(
    u_mass: float = 0.1, u_grade: float = 0.01, moisture: float | None = 0.05, draws: int = 0, seed: int = 1
) -> Joint:
    """Grades of sand are one minus those of bronze; every product is wet by the same share."""
    inputs = Inputs()
    masses = [inputs.add(Input(f"mass of {s}", m, u_mass)) for s, m in zip(STREAMS, MASSES, strict=True)]
    bronze = [inputs.add(Input(f"grade of {s}", g, u_grade)) for s, g in zip(STREAMS, BRONZE, strict=True)]
    terms: list[Term] = list(masses)
    for one in bronze:
        terms += [one, lambda z, one=one: 1.0 - one(z)]
    more = {}
    if moisture is not None:
        for s, mass in zip(STREAMS, masses, strict=True):
            water = inputs.add(Input(f"moisture of {s}", moisture, 0.005))
            more[("moisture", s)] = water
            more[("wet", s)] = lambda z, mass=mass, water=water: mass(z) / (1.0 - water(z))
    z = inputs.values
    drawn = inputs.draw(draws, seed) if draws else None
    return joint_of_balance(
        STREAMS,
        COMPONENTS,
        x=evaluate(terms, z),
        by_z=jacobian(terms, z),
        known=np.ones(len(terms), dtype=bool),
        inputs=inputs,
        more=more,
        draws=None if drawn is None else Draws(drawn, evaluate(terms, drawn)),
    )


def product(grades: dict[str, tuple[float, float]], water: Input | None = None) -> Joint:
    """One stream, "nodules", with independent grades (value, u)."""
    inputs = Inputs()
    terms = [inputs.add(Input("mass", 10.0, 0.01))]
    terms += [inputs.add(Input(f"assay of {c}", value, u)) for c, (value, u) in grades.items()]
    more_terms = {} if water is None else {("moisture", "nodules"): inputs.add(water)}
    z = inputs.values
    return joint_of_balance(
        ("nodules",),
        tuple(grades),
        x=evaluate(terms, z),
        by_z=jacobian(terms, z),
        known=np.ones(len(terms), dtype=bool),
        inputs=inputs,
        more=more_terms,
    )
