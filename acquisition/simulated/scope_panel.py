"""The settings of a simulated scope, and the commands whose headers alone differ from dialect to dialect."""

from __future__ import annotations

import math

from .device import Device, only
from .parser import ScpiError, parse_boolean, parse_choice, parse_number
from .scope_channel import CHANNELS, CODES_PER_DIVISION, SCALES_V, Channel


class Panel(Device):
    """What can be set on all of them.

    Attributes
    ----------
    channels : dict
        Settings of each channel.
    time_scale_s : float
        Seconds a division.
    points : int
        Length of a record.
    rising : bool
        Slope of the trigger.
    """

    channels: dict[int, Channel]
    time_scale_s: float
    points: int
    rising: bool

    # Commands.

    def on_channel(self, header: str, probe: str, scale: str, factor_form: str) -> None:
        """Probe factor, coupling, inversion and volts a division.

        Parameters
        ----------
        header : str
            Of a channel.
        probe, scale : str
            Words for the probe's factor and the volts a division.
        factor_form : str
            Format of the factor.
        """
        self.on(
            f"{header}:{probe}",
            do=lambda s, p: self.set_probe(s[0], p[0]),
            ask=lambda s, p: format(self.channels[only(s[0], CHANNELS)].factor, factor_form),
            takes=1,
        )
        self.on(
            f"{header}:COUPling",
            do=lambda s, p: self.choose_coupling(s[0], p[0]),
            ask=lambda s, p: "AC" if self.channels[only(s[0], CHANNELS)].ac else "DC",
            takes=1,
        )
        self.on(
            f"{header}:INVert",
            do=lambda s, p: self.switch(s[0], "inverted", p[0]),
            ask=lambda s, p: str(int(self.channels[only(s[0], CHANNELS)].inverted)),
            takes=1,
        )
        self.on(
            f"{header}:{scale}",
            do=lambda s, p: self.set_scale(s[0], p[0]),
            ask=lambda s, p: nr3(self.channels[only(s[0], CHANNELS)].step_v() * CODES_PER_DIVISION),
            takes=1,
        )

    def on_time_scale(self, header: str) -> None:
        """Seconds a division.

        Parameters
        ----------
        header : str
            Of the command.
        """
        self.on(header, do=lambda s, p: self.set_time_scale(p[0]), ask=lambda s, p: nr3(self.time_scale_s), takes=1)

    def on_points(self, header: str) -> None:
        """Length of a record.

        Parameters
        ----------
        header : str
            Of the command.
        """
        self.on(header, do=lambda s, p: self.set_points(p[0]), ask=lambda s, p: str(self.points), takes=1)

    def on_number(self, header: str, name: str, unit: str, takes: tuple[int, int] | int = 1) -> None:
        """A number that is taken over as it is.

        Parameters
        ----------
        header : str
            Of the command.
        name : str
            Attribute.
        unit : str
            Unit allowed after it.
        takes : int or pair of int
            Parameters.
        """
        self.on(
            header,
            do=lambda s, p: self.set_number(name, p[0], unit),
            ask=lambda s, p: nr3(getattr(self, name)),
            takes=takes,
        )

    def on_word(self, header: str, name: str, words: tuple[str, ...]) -> None:
        """A word that is taken over as it is.

        Parameters
        ----------
        header : str
            Of the command.
        name : str
            Attribute.
        words : tuple of str
            Words accepted.
        """
        self.on(
            header,
            do=lambda s, p: self.choose(name, p[0], words),
            ask=lambda s, p: str(getattr(self, name)),
            takes=1,
        )

    def on_source(self, header: str, name: str, words: tuple[str, ...], short: str) -> None:
        """The number of a channel, told by a word.

        Parameters
        ----------
        header : str
            Of the command.
        name : str
            Attribute.
        words : tuple of str
            Words of the channels in order.
        short : str
            Short form of such a word without its number.
        """
        self.on(
            header,
            do=lambda s, p: setattr(self, name, self.choose_source(p[0], words)),
            ask=lambda s, p: f"{short}{getattr(self, name)}" if getattr(self, name) else "EXT",
            takes=1,
        )

    def on_slope(self, header: str, words: tuple[str, str], shown: tuple[str, str]) -> None:
        """Slope of the trigger.

        Parameters
        ----------
        header : str
            Of the command.
        words, shown : pair of str
            Words for rising and falling, as taken and as answered.
        """
        self.on(
            header,
            do=lambda s, p: setattr(self, "rising", parse_choice(p[0], words) == shown[0]),
            ask=lambda s, p: shown[0] if self.rising else shown[1],
            takes=1,
        )

    # Settings.

    def set_scale(self, channel: int, parameter: str | bytes) -> None:
        """Volts a division at the tip, taken up to the next step.

        Parameters
        ----------
        channel : int
            From 1.
        parameter : str or bytes
            As sent.
        """
        settings = self.channels[only(channel, CHANNELS)]
        low, high = SCALES_V[0] * settings.factor, SCALES_V[-1] * settings.factor
        wanted = parse_number(parameter, "V", low=low * (1 - 1e-9), high=high * (1 + 1e-9), default=settings.factor)
        settings.input_scale_v = next(s for s in SCALES_V if wanted / settings.factor <= s * (1 + 1e-9))
        most_v = settings.most_centre_v()
        settings.centre_v = min(max(settings.centre_v, -most_v), most_v)

    def set_centre(self, channel: int, centre_v: float) -> None:
        """Volts in the middle of the screen.

        Parameters
        ----------
        channel : int
            From 1.
        centre_v : float
            At the tip.

        Raises
        ------
        ScpiError
            -222 where the range does not reach so far.
        """
        settings = self.channels[only(channel, CHANNELS)]
        if abs(centre_v) > settings.most_centre_v() * (1 + 1e-9):
            raise ScpiError(-222, "Data out of range")
        settings.centre_v = centre_v

    def set_time_scale(self, parameter: str | bytes) -> None:
        """Seconds a division, taken up to the next 1-2-5 step.

        Parameters
        ----------
        parameter : str or bytes
            As sent.
        """
        wanted = parse_number(parameter, "S", low=5e-9, high=50.0, default=1e-3)
        decade = 10.0 ** math.floor(math.log10(wanted))
        self.time_scale_s = next(m * decade for m in (1, 2, 5, 10) if wanted <= m * decade * (1 + 1e-9))

    def set_points(self, parameter: str | bytes) -> None:
        """Record length, taken up to a length the memory offers.

        Parameters
        ----------
        parameter : str or bytes
            As sent.
        """
        wanted = parse_number(parameter, low=4, high=1_000_000, default=1000)
        lengths = sorted(m * 10**e for e in (2, 3, 4, 5) for m in (1, 2, 5, 10))
        self.points = next(length for length in lengths if wanted <= length)

    def set_number(self, name: str, parameter: str | bytes, unit: str) -> None:
        """Take a number over as it is.

        Parameters
        ----------
        name : str
            Attribute.
        parameter : str or bytes
            As sent.
        unit : str
            Unit allowed after it.
        """
        setattr(self, name, parse_number(parameter, unit))

    def set_channel(self, channel: int, name: str, value: bool | float) -> None:
        """Take a setting of a channel over.

        Parameters
        ----------
        channel : int
            From 1.
        name : str
            Attribute of `Channel`.
        value : bool or float
            New value.
        """
        setattr(self.channels[only(channel, CHANNELS)], name, value)

    def choose_source(self, parameter: str | bytes, words: tuple[str, ...]) -> int:
        """Channel that a word names; 0 for the external input.

        Parameters
        ----------
        parameter : str or bytes
            As sent.
        words : tuple of str
            Words of the channels in order.
        """
        word = parse_choice(parameter, (*words, "EXTernal"))
        return 0 if word == "EXT" else int(word[-1])

    def choose_coupling(self, channel: int, parameter: str | bytes) -> None:
        """Direct or alternating coupling.

        Parameters
        ----------
        channel : int
            From 1.
        parameter : str or bytes
            As sent.
        """
        self.set_channel(channel, "ac", parse_choice(parameter, ("DC", "AC")) == "AC")

    def switch(self, channel: int, name: str, parameter: str | bytes) -> None:
        """A switch of a channel.

        Parameters
        ----------
        channel : int
            From 1.
        name : str
            Attribute of `Channel`.
        parameter : str or bytes
            As sent.
        """
        self.set_channel(channel, name, parse_boolean(parameter))

    def choose(self, name: str, parameter: str | bytes, words: tuple[str, ...]) -> None:
        """Take a word over.

        Parameters
        ----------
        name : str
            Attribute.
        parameter : str or bytes
            As sent.
        words : tuple of str
            Words accepted.
        """
        setattr(self, name, parse_choice(parameter, words))

    def set_probe(self, channel: int, parameter: str | bytes) -> None:
        """What the scope believes the probe to be.

        Parameters
        ----------
        channel : int
            From 1.
        parameter : str or bytes
            As sent.
        """
        self.set_channel(channel, "factor", parse_number(parameter, low=0.1, high=1000.0, default=1.0))


def span(page: tuple[int, int], length: int) -> slice:
    """Part of a record that a one-based inclusive page names.

    Parameters
    ----------
    page : tuple of int
        First and last sample.
    length : int
        Samples there are.
    """
    return slice(max(0, page[0] - 1), min(page[1], length))


def one_of(parameter: str | bytes, choices: tuple[str, ...]) -> None:
    """Take a word that changes nothing here, and refuse every other.

    Parameters
    ----------
    parameter : str or bytes
        As sent.
    choices : tuple of str
        Words accepted.

    Raises
    ------
    ScpiError
        -224.
    """
    parse_choice(parameter, choices)


def nr3(value: float) -> str:
    """Write a number with exponent, as NR3 of IEEE 488.2.

    Parameters
    ----------
    value : float
        The number.
    """
    return f"{value:.9E}"
