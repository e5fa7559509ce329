"""Networks of conductances, solved for many circuits at once by star-mesh elimination.

Taking a node out of a network replaces the star of its branches g_1 .. g_n by a mesh between its neighbours,
g_ij = g_i g_j / sum(g) (Rosen 1924; for three branches the star-delta rule of Kennelly 1899). It is Gaussian
elimination written so that conductances are only ever added and multiplied, never subtracted: 1000 S beside
1e-13 S loses nothing, and a pin that floats needs no special case.

Every value is an array over circuits (or broadcasts to one), so one pass solves all of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.circuit_parts import Element

Array = npt.NDArray[np.float64]
Node = str
Volts = Mapping[str, Array]

TOLERANCE_V = 1e-5
MOST_ROUNDS = 80
# Put beside each non-linear branch and taken off its current again. Branches in series would each be a gap to
# the other; this keeps the many-port's resistances small enough to be told apart in double precision.
BESIDE_S = 1e-6


@dataclass(frozen=True, slots=True)
class _Star:
    """A node that was taken out: what it needs to be found again from its neighbours."""

    node: Node
    branches: tuple[tuple[Node, Array], ...]
    total: Array


class Network:
    """Conductances, S, between named nodes; arrays over circuits that broadcast with each other."""

    def __init__(self) -> None:
        self._mesh: dict[Node, dict[Node, Array]] = {}

    def add(self, a: Node, b: Node, siemens: Array | float) -> None:
        """A conductance between `a` and `b`, beside what is there already."""
        value = np.asarray(siemens, dtype=np.float64)
        for one, other in ((a, b), (b, a)):
            branches = self._mesh.setdefault(one, {})
            branches[other] = branches[other] + value if other in branches else value

    def nodes(self) -> list[Node]:
        return list(self._mesh)

    def copy(self) -> Network:
        new = Network()
        new._mesh = {node: dict(branches) for node, branches in self._mesh.items()}
        return new

    def rows(self, mask: npt.NDArray[np.bool_]) -> Network:
        """The same network for the circuits that `mask` marks, as one flat axis."""
        new = Network()
        for a, branches in self._mesh.items():
            for b, value in branches.items():
                if a < b:
                    new.add(a, b, np.broadcast_to(value, mask.shape)[mask])
        return new

    def take_out_all(self, nodes: set[Node], fixed: frozenset[Node]) -> list[_Star]:
        """Eliminate `nodes`, those with the fewest branches first; ties by name, so that order is fixed."""
        left, stars = set(nodes), []
        while left:
            node = min(left, key=lambda name: (len(self._mesh[name]), name))
            left.remove(node)
            stars.append(self.take_out(node, fixed))
        return stars

    def take_out(self, node: Node, fixed: frozenset[Node]) -> _Star:
        """Eliminate `node`; branches between two `fixed` nodes say nothing and are not kept."""
        branches = tuple(self._mesh.pop(node).items())
        total = _sum(g for _, g in branches)
        for other, _ in branches:
            del self._mesh[other][node]
        for n, (a, ga) in enumerate(branches):
            share = ga / total
            for b, gb in branches[n + 1 :]:
                if not (a in fixed and b in fixed):
                    self.add(a, b, share * gb)
        return _Star(node, branches, total)


def solve(
    network: Network,
    known: Mapping[Node, Array | float],
    wanted: Iterable[Node],
    elements: Iterable[Element],
    shape: tuple[int, ...],
    injected: Mapping[Node, Array] | None = None,
) -> dict[Node, Array]:
    """Voltages of the wanted nodes.

    Args:
        network: its conductances; it is not changed. Every node must reach a known one.
        known: nodes held at a voltage, V.
        wanted: nodes to be told.
        elements: non-linear branches; where one's `active` is False it carries no current.
        shape: of the answer; conductances and voltages broadcast to it.
        injected: currents into nodes, A.

    Returns:
        {node: V, array of `shape`}. Non-linear circuits are iterated until no branch voltage moves by more
        than 10 µV.
    """
    wanted = list(wanted)
    elements = [e for e in elements if np.any(e.active)]
    fixed, injected = frozenset(known), dict(injected or {})
    ports = {node for e in elements for node in (e.plus, e.minus)}
    reduced = network.copy()
    reduced.take_out_all(set(network.nodes()) - fixed - ports - set(wanted) - set(injected), fixed)
    answer = {node: np.empty(shape) for node in wanted}
    patterns = np.zeros(shape, dtype=np.int64)
    for n, element in enumerate(elements):
        patterns |= np.broadcast_to(element.active, shape).astype(np.int64) << n
    for pattern in np.unique(patterns):
        mask = patterns == pattern
        volts = _solve_alike(
            reduced.rows(mask),
            {node: np.broadcast_to(v, shape)[mask] for node, v in known.items()},
            {node: np.broadcast_to(i, shape)[mask] for node, i in injected.items()},
            [e.rows(mask) for n, e in enumerate(elements) if pattern >> n & 1],
        )
        for node in wanted:
            answer[node][mask] = volts[node]
    return answer


def _solve_alike(
    network: Network, known: Volts, injected: Mapping[Node, Array], elements: list[Element]
) -> dict[Node, Array]:
    """Circuits that all have the same non-linear branches.

    The linear rest is a many-port: branch voltages are those with no branch current, less what each branch's
    current makes (Thévenin). Newton's method then works on the branches alone.
    """
    fixed = frozenset(known)
    for element in elements:
        network.add(element.plus, element.minus, BESIDE_S)
    stars = network.take_out_all(set(network.nodes()) - fixed, fixed)
    idle = _back(stars, known, injected)
    if not elements:
        return idle
    dead = {node: np.zeros_like(v) for node, v in known.items()}
    one = np.ones(len(next(iter(known.values()))))
    pushed = [_back(stars, dead, {e.minus: one, e.plus: -one}) for e in elements]  # by 1 A in each branch
    open_v = np.stack([idle[e.plus] - idle[e.minus] for e in elements])
    ohm = np.array([[push[e.minus] - push[e.plus] for push in pushed] for e in elements])
    amperes = _branch_currents(elements, open_v, ohm)
    return {
        node: v + sum((i * push[node] for i, push in zip(amperes, pushed, strict=True)), start=np.zeros(1))
        for node, v in idle.items()
    }


def _back(stars: list[_Star], known: Volts, injected: Mapping[Node, Array]) -> dict[Node, Array]:
    """Voltages of all nodes: injected currents are passed on as nodes are taken out, then all come back."""
    currents = dict(injected)
    for star in stars:
        if star.node in currents:
            for other, g in star.branches:
                if other not in known:
                    passed = currents[star.node] * (g / star.total)
                    currents[other] = currents[other] + passed if other in currents else passed
    volts = dict(known)
    for star in reversed(stars):
        pull = _sum(g * volts[other] for other, g in star.branches)
        if star.node in currents:
            pull = pull + currents[star.node]
        volts[star.node] = pull / star.total
    return volts


def _branch_currents(elements: list[Element], open_v: Array, ohm: Array) -> Array:
    """Currents, A, (branches, circuits), with v = open_v - ohm i(v). What has settled leaves the work."""
    count, size = open_v.shape
    answer = np.empty((count, size))
    left, across = np.arange(size), _begin(elements, open_v, ohm)
    for _ in range(MOST_ROUNDS):
        tangents = [e.tangent(v) for e, v in zip(elements, across, strict=True)]
        current = np.stack([t[0] for t in tangents]) - BESIDE_S * across
        slope = np.stack([t[1] for t in tangents]) - BESIDE_S
        miss = across - open_v + (ohm * current).sum(axis=1)
        if count == 1:
            step = miss / (1.0 + ohm[0] * slope)
        else:
            matrix = np.moveaxis(ohm * slope, -1, 0) + np.eye(count)
            step = np.linalg.solve(matrix, miss.T[..., None])[..., 0].T
        target = across - step
        answer[:, left] = current - slope * step
        across = np.stack([e.limited(t, v) for e, t, v in zip(elements, target, across, strict=True)])
        going = (np.abs(step) > TOLERANCE_V).any(axis=0)
        if not going.any():
            break
        if going.sum() < 0.7 * len(left):
            left, across = left[going], across[:, going]
            open_v, ohm = open_v[:, going], ohm[..., going]
            elements = [e.rows(going) for e in elements]
    return answer


def _begin(elements: list[Element], open_v: Array, ohm: Array) -> Array:
    """First branch voltages: each branch as if the others were joints, and BESIDE_S were not there."""
    if len(elements) == 1:
        own, shorted = 1.0 / ohm[0], open_v / ohm[0]
    else:
        siemens = np.linalg.inv(np.moveaxis(ohm, -1, 0))
        shorted = (siemens @ open_v.T[..., None])[..., 0].T
        own = np.diagonal(siemens, axis1=1, axis2=2).T
    own = np.maximum(own - BESIDE_S, 1e-9 * BESIDE_S)
    return np.stack([e.guess(i / g, 1.0 / g) for e, i, g in zip(elements, shorted, own, strict=True)])


def _sum(values: Iterable[Array]) -> Array:
    total: Array | None = None
    for value in values:
        total = value if total is None else total + value
    if total is None:
        raise ValueError("a node without branches has no voltage")
    return total
