"""Pressure lost along hose and fittings of the air line while the mill cuts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from uncertainties import wrap

from advisor.calc.air import ATMOSPHERE
from advisor.calc.base import CalcError, Calculation, Figure, Given, Input, Limit, Worked, nominal, put

__all__ = ["CALCULATIONS", "Piece", "empirical_drop", "piece_drop"]

FREE = 0.1  # MPa: free air is stated at 1 bar and 20 degC (ISO 8778)
FREE_DENSITY = 1.185  # kg/m3 in that state
VISCOSITY = 1.82e-5  # Pa s, air at 20 degC
ROUGHNESS = {"hose": 0.0015, "pipe": 0.15}  # mm: drawn tube, galvanised steel pipe (common handbook values)
# Names in the three-constant table of Darby, as kept in the `fluids` library.
DARBY = {
    "elbow": "Elbow, 90°, threaded, standard, (r/D = 1)",
    "bend": "Elbow, 90°, (r/D = 4)",
    "tee-straight": "Tee, Run-through, threaded, (r/D = 1)",
    "tee-branch": "Tee, Through-branch, (as elbow), threaded, (r/D = 1)",
    "ball-valve": "Valve, Ball valve, standard, β = 1",
    "globe-valve": "Valve, Globe valve, standard, β = 1",
    "check-valve": "Valve, Lift check",
}
KINDS = (*ROUGHNESS, *DARBY, "adapter")
BORES = (3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 13.0, 16.0, 19.0, 25.0, 32.0, 40.0, 50.0)  # mm, usual bores of hose


@dataclass(frozen=True)
class Piece:
    """A piece of the line: `bore` in mm, `amount` in m for hose and pipe, else how many; `wide` is the bore in mm of the
    tube next to an adapter (infinite: a room)."""

    kind: str
    bore: float
    amount: float
    wide: float = math.inf

    @property
    def is_tube(self) -> bool:
        """Hose or pipe, with a length."""
        return self.kind in ROUGHNESS

    @property
    def text(self) -> str:
        """'hose 4 mm x 6 m', '2 elbow 6 mm'."""
        bore = f"{self.kind} {put(self.bore, 'mm', 3)}"
        return f"{bore} x {put(self.amount, 'm', 3)}" if self.is_tube else f"{self.amount:.0f} {bore}"


def _loss_factor(piece: Piece, reynolds: float) -> float:
    """Sum of loss factors of a piece, on the velocity in its own bore."""
    from fluids.fittings import Darby3K, contraction_sharp, diffuser_sharp
    from fluids.friction import friction_factor

    if piece.is_tube:
        factor = friction_factor(Re=reynolds, eD=ROUGHNESS[piece.kind] / piece.bore)
        return float(factor) * piece.amount * 1000 / piece.bore
    if piece.kind == "adapter":
        if piece.wide <= piece.bore:
            return 0.0
        wide = min(piece.wide, 1e3 * piece.bore)
        return float(contraction_sharp(wide, piece.bore) + diffuser_sharp(piece.bore, wide)) * piece.amount
    return float(Darby3K(NPS=piece.bore / 25.4, Re=reynolds, name=DARBY[piece.kind])) * piece.amount


def piece_drop(piece: Piece, flow: float, pressure: float) -> float:
    """Pressure lost in a piece in MPa: dp = K rho v^2 / 2, for a tube K = f L / d (Darcy-Weisbach).

    `flow` in L/min of free air, `pressure` absolute in MPa at the start of the piece; rho and v are those at that
    pressure and 20 degC. f after Colebrook and White (64/Re in laminar flow), K of fittings after Darby's three-constant
    method, K of an adapter as a sharp narrowing and widening; all from the `fluids` library.

    >>> round(piece_drop(Piece("hose", 6, 10), 100, 0.686466), 4)
    0.0128
    """
    density = FREE_DENSITY * pressure / FREE
    area = math.pi / 4 * (piece.bore / 1000) ** 2
    velocity = flow / 60e3 * FREE / pressure / area
    reynolds = density * velocity * piece.bore / 1000 / VISCOSITY
    return _loss_factor(piece, reynolds) * density * velocity**2 / 2 / 1e6


def empirical_drop(flow: Any, bore: Any, length: Any, pressure: Any) -> Any:
    """Empirical air-line formula, in MPa: dp = 7.57e4 q^1.85 L / (d^5 p) with dp and p (absolute, at the start) in
    kgf/cm2, q in m3/min free air, L in m, d in mm. Here `flow` in L/min, `pressure` absolute in MPa. Meant for steel
    pipe: for a smooth hose it comes out too high. Not valid above about 0.1 MPa. Source: engineering handbook site.

    >>> round(empirical_drop(100, 6, 10, 0.686466), 4)
    0.0193
    """
    technical = 0.0980665  # MPa in a kgf/cm2
    return 7.57e4 * (flow / 1000) ** 1.85 * length / (bore**5 * pressure / technical) * technical


def _losses(pieces: Sequence[Piece], flow: float, pressure: float) -> list[float]:
    """Pressure lost in each piece in MPa, one after the other, each expanding at constant temperature:
    p2^2 = p1^2 - 2 p1 dp. The list is cut off where the pressure is used up. `pressure` is absolute."""
    lost: list[float] = []
    here = pressure
    for piece in pieces:
        left = here**2 - 2 * here * piece_drop(piece, flow, here)
        if left <= ATMOSPHERE**2:
            break
        lost.append(here - math.sqrt(left))
        here = math.sqrt(left)
    return lost


def _pieces(rows: Sequence[Mapping[str, Any]]) -> list[Piece]:
    tubes = [nominal(row["bore"]) for row in rows if row["kind"] in ROUGHNESS]
    pieces: list[Piece] = []
    for place, row in enumerate(rows, 1):
        kind, bore, amount = row["kind"], nominal(row["bore"]), nominal(row["amount"])
        if kind not in ROUGHNESS and (abs(amount - round(amount)) > 1e-9 or amount < 1):
            raise CalcError(
                "pieces", f"pieces, line {place}: {put(amount)} of {kind}: type how many, as a whole number"
            )
        before = [nominal(r["bore"]) for r in rows[:place] if r["kind"] in ROUGHNESS]
        pieces.append(Piece(kind, bore, amount, (before or tubes or [math.inf])[-1 if before else 0]))
    return pieces


def _line_drop(g: Given) -> Worked:
    rows, pressure = g["pieces"], g["pressure"] + ATMOSPHERE
    pieces = _pieces(rows)
    flow, start = nominal(g["flow"]), nominal(pressure)
    lost = _losses(pieces, flow, start)
    if len(lost) < len(pieces):
        raise CalcError(
            "flow",
            f"flow: {g.put('flow')} cannot pass: all pressure is used up at line {len(lost) + 1} of the pieces ({pieces[len(lost)].text}); check its bore and the flow",
        )

    most = max(range(len(pieces)), key=lambda i: lost[i])

    def losses(flow: float, start: float, *sizes: float) -> list[float]:
        half = len(pieces)
        changed = [
            Piece(p.kind, bore, amount if p.is_tube else p.amount, p.wide)
            for p, bore, amount in zip(pieces, sizes[:half], sizes[half:], strict=True)
        ]
        return _losses(changed, flow, start)

    given = (g["flow"], pressure, *(r["bore"] for r in rows), *(r["amount"] for r in rows))
    drop = wrap(lambda *x: math.fsum(losses(*x)))(*given)
    if nominal(drop) <= 0:
        raise CalcError("pieces", "pieces: nothing here takes pressure; list the hose or pipe too")
    part = wrap(lambda *x: 100 * losses(*x)[most] / math.fsum(losses(*x)))(*given)
    ranked = sorted(range(len(pieces)), key=lambda i: -lost[i])[:4]
    lines = ["dp = K rho v^2 / 2 for each piece, K = f L / d in hose and pipe:"]
    lines += [f"line {i + 1}, {pieces[i].text}: {_shown(lost[i])}" for i in sorted(ranked)]
    tubes = [(p, dp) for p, dp in zip(pieces, lost, strict=True) if p.is_tube]
    rule = sum(empirical_drop(flow, p.bore, p.amount, start) for p, _ in tubes)
    ratio = rule / max(sum(dp for _, dp in tubes), 1e-300) if tubes else 1.0
    if tubes:
        lines.append(
            f"Check by the empirical air-line formula, hose and pipe alone: {_shown(rule)} ({ratio:.1f} times)"
        )
    says = [
        f"Most is lost in line {most + 1}, {pieces[most].text}: {nominal(part):.0f} %. {_wider(pieces, most, flow, start)}"
    ]
    if not 0.5 <= ratio <= 2:
        says.append("The two formulas differ more than 2 times: trust gauges at both ends instead.")
    return Worked(
        {"drop": drop, "share": 100 * drop / g["pressure"], "most": part},
        tuple(lines),
        (Limit("share", "at most 10 % from compressor to mill", high=10.0, source="doe-sourcebook"),),
        says=tuple(says),
    )


def _shown(drop: float) -> str:
    return put(drop, "MPa", 2) if drop >= 1e-5 else "under 0.00001 MPa"


def _wider(pieces: Sequence[Piece], place: int, flow: float, start: float) -> str:
    """What the next wider bore would leave of the drop."""
    piece = pieces[place]
    if piece.kind == "adapter":
        return "An adapter as wide as the hose takes this loss away."
    bore = next((b for b in BORES if b > piece.bore * 1.1), None)
    if bore is None:
        return ""
    changed = [Piece(p.kind, bore if i == place else p.bore, p.amount, p.wide) for i, p in enumerate(pieces)]
    return f"With {put(bore, 'mm')} there the whole line would lose {_shown(sum(_losses(changed, flow, start)))}."


LINE_DROP = Calculation(
    id="line-drop",
    title="Pressure lost along hose and fittings while the mill cuts",
    subject="air",
    answers="How much pressure do hose, pipe and fittings take at the mill's flow, and which piece takes most?",
    inputs=(
        Input(
            "pieces",
            "",
            "pieces, in the order of the air",
            columns=(
                Input("kind", "", "kind", choices=KINDS),
                Input("bore", "d", "bore", "mm", 1, 50, percent=3),
                Input("amount", "L", "length, or how many", "m", 0.01, 200, percent=2),
            ),
            several=(1, 30),
        ),
        Input("flow", "Q", "air the mill draws while it cuts", "L/min", 1, 2000, percent=10),
        Input("pressure", "p", "gauge pressure at the line's start", "MPa", 0.05, 1.6, instrument="line-gauge"),
    ),
    figures=(
        Figure("drop", "dp", "pressure lost in the line", "MPa"),
        Figure("share", "", "share of the gauge pressure", "%"),
        Figure("most", "", "share of the piece that takes most", "%"),
    ),
    work=_line_drop,
    sources=("colebrook", "darby-3k", "pipe-handbook", "doe-sourcebook"),
    example={
        "pieces": ["hose 4 6", "elbow 6 2", "ball-valve 6 1", "adapter 3 1"],
        "flow": "90 L/min",
        "pressure": "0.64 MPa",
    },
)

CALCULATIONS = (LINE_DROP,)
