"""Three simulated instruments wired to one circuit, with the bench file by which the drivers find them."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from types import TracebackType

from ..clock import Clock
from .faults import Mischief
from .generator import Generator
from .meter import Meter
from .plant import Plant, Wiring
from .scope import Scope
from .scope_keyword import KeywordScope
from .scope_ten_field import TenFieldCodesScope, TenFieldScope
from .server import SocketServer
from .stream_meter import StreamMeter, StreamServer

SCOPES: dict[str, type[Scope]] = {
    "ten-field-scope": TenFieldScope,
    "ten-field-codes-scope": TenFieldCodesScope,
    "keyword-scope": KeywordScope,
}
"""Simulated scope for each dialect file."""


class SimulatedBench:
    """The bench, started; a context manager that closes every link.

    Parameters
    ----------
    plant : Plant
        The circuit.
    seed : int
        Draws the specimens and their noise.
    meter, scope : str
        Dialects to speak.
    clock : Clock, optional
        Time of the instruments and the hands.

    Attributes
    ----------
    wiring : Wiring
        Where leads and probes are.
    meter, scope, generator
        The instruments themselves.
    links : dict of str to SocketServer
        Their servers by role, for faults on cue; a streaming meter is ``stream`` instead.
    """

    def __init__(
        self,
        plant: Plant,
        *,
        seed: int = 1,
        meter: str = "scpi-meter",
        scope: str = "ten-field-scope",
        clock: Clock | None = None,
    ) -> None:
        self.wiring = Wiring(plant, clock)
        self.meter: Meter | StreamMeter
        self.stream: StreamServer | None = None
        self.links: dict[str, SocketServer] = {}
        self._dialects = (meter, scope)
        self._stack = ExitStack()
        self.scope = SCOPES[scope](self.wiring, seed=seed + 1)
        self.generator = Generator(self.wiring)
        if meter == "stream-meter":
            self.meter = StreamMeter(self.wiring, seed=seed)
            self.stream = self._stack.enter_context(StreamServer(self.meter, seed=seed))
        else:
            self.meter = Meter(self.wiring, seed=seed)
            self._serve("meter", self.meter, seed)
        self._serve("scope", self.scope, seed + 1)
        self._serve("generator", self.generator, seed + 2)

    def _serve(self, role: str, device: Meter | Scope | Generator, seed: int) -> None:
        self.links[role] = self._stack.enter_context(SocketServer(device, Mischief(seed)))

    def change(self, plant: Plant) -> None:
        """Put another circuit behind the instruments, as a repair does.

        Parameters
        ----------
        plant : Plant
            The circuit from now on.
        """
        with self.wiring.lock:
            self.wiring.plant = plant

    def resources(self) -> dict[str, str]:
        """VISA resource string of each instrument by its role."""
        meter = self.stream.resource if self.stream else self.links["meter"].resource
        return {"meter": meter, **{role: self.links[role].resource for role in ("scope", "generator")}}

    def bench_text(self) -> str:
        """Bench file of these instruments; the accuracies are those their specimens were drawn from."""
        meter, scope = self._dialects
        resources = self.resources()
        accuracy = "0.5 % + 3 digits" if self.stream else "0.005 % + 0.002 % of range"
        return (
            "bench: Simulated bench on this machine\n"
            "mains_hz: 50\n"
            "clip_on_above_v: 300\n"
            f"meter: {{resource: '{resources['meter']}', dialect: {meter}, accuracy: {accuracy}, "
            "rating_v: 1000, nplc: 1}\n"
            f"scope: {{resource: '{resources['scope']}', dialect: {scope}, "
            "accuracy: 2 %, rating_v: 400, ac_corner_hz: 7}\n"
            f"generator: {{resource: '{resources['generator']}', dialect: scpi-generator, "
            "source_ohm: 50, most_pp_v: 5}\n"
            "lead: {rated_v: 1000}\n"
            "probe: {factor: 10, ohm: 10M, farad: 12p, rated_v: 600}\n"
        )

    def write(self, path: Path) -> Path:
        """Write the bench file.

        Parameters
        ----------
        path : Path
            Where to.
        """
        path.write_text(self.bench_text(), encoding="utf-8")
        return path

    def close(self) -> None:
        """Stop every instrument and close every link."""
        self._stack.close()

    def __enter__(self) -> SimulatedBench:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
