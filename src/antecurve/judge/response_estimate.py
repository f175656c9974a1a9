"""The response between two channels of a record, for any signal, with its variance.

One least-squares ratio over each of many narrow bands: with U the stimulus behind a response that
is nearly right, R = sum Y U* / sum |U|^2 over the lines of a band.  What R is not, is noise: it
stands in the same lines, and gives the variance of R (Bendat and Piersol, Random Data, chapter 9,
for averages over equal lines; here each line weighs as its stimulus does).  Flattened by a fit and
estimated again, neither the width of a band nor the ends of a record bias the ratio.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import even_turns
from antecurve.errors import InputError
from antecurve.judge.channel_lines import Band, Lines, Pair, lines_of, sounding_bands
from antecurve.judge.spectral_filter import Response, by_other_clock, filtered, with_silence
from antecurve.judge.stimulus_noise import least_of_noise
from antecurve.quantities import format_quantity

__all__ = [
    "HIGHEST_SHARE",
    "LOWEST_HZ",
    "RECTANGULAR",
    "Alignment",
    "Channels",
    "ResponseEstimate",
    "measured_response",
    "noise_scatter",
    "rate_problem",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_TAPER_SHOWS = 5.0  # half a taper shows a fifth of the error at the start of a sweep
_LARGEST_DEVIATION = 0.12  # neper, 1 dB: beyond, the logarithm of a ratio is no longer normal
_MOST_NOISE = 0.6  # of the stimulus's power: beyond, a ratio is hardly half of the response
_LEAST_KEPT = 0.01  # of the stimulus's power: such a band is not told anyway
_LEAST_PERIODS = 6.0  # to an end, on average: at three an interval of 0.002 dB is off by twice that
_NOTABLE_DRIFT = 0.1  # samples over the record: turns either end of 20 kHz by 0.06 rad at 96 kHz

LOWEST_HZ = 8.0
"""Below, no signal of a bench reaches [Hz]."""
RECTANGULAR = 1.0 / math.sqrt(12.0)
"""Standard deviation of a rectangular distribution over its width (JCGM 100:2008, 4.3.7)."""
HIGHEST_SHARE = 0.45
"""Of the sampling rate; converters' filters begin there."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """How the output lies over the stimulus.

    Attributes
    ----------
    delay_s : float
        Delay of the output at the middle of the record [s], the nominal response apart.
    clock_ratio : float
        Sampling clock of the output over that of the stimulus, less 1.
    polarity : int
        1, or -1 for an output upside down.
    """

    delay_s: float
    clock_ratio: float
    polarity: int


@dataclass(frozen=True, slots=True, eq=False)
class ResponseEstimate:
    """Ratios of output to flattened stimulus, band by band.

    Attributes
    ----------
    low_hz, high_hz : numpy.ndarray of float, shape (bands,)
        Two frequencies that stand for each band [Hz], equally weighted: they have the mean and
        the spread of the lines that carried the signal.
    ratio : numpy.ndarray of complex, shape (bands,)
        Output over stimulus times flattening response, delay and polarity taken out.
    variance : numpy.ndarray of float, shape (bands,)
        Variance of the real and of the imaginary part of ln of a ratio.
    coherence : numpy.ndarray of float, shape (bands,)
        Squared coherence, 0 to 1.
    sounds_s : numpy.ndarray of float, shape (bands,)
        When the stimulus sounds in each band, on average, from the middle of the record [s].
    noise_share : numpy.ndarray of float, shape (bands,)
        Share of the stimulus's power that is noise of its channel, at most; it lowers the ratio.
    free_lines : numpy.ndarray of float, shape (bands,)
        Independent lines of each band.
    """

    low_hz: Floats
    high_hz: Floats
    ratio: Complex
    variance: Floats
    coherence: Floats
    sounds_s: Floats
    noise_share: Floats
    free_lines: Floats

    @property
    def middle_hz(self) -> Floats:
        """Middle of each band [Hz], shape (bands,)."""
        return (self.low_hz + self.high_hz) / 2.0

    @property
    def log_ratio(self) -> Complex:
        """ln of each ratio, with half of what noise of the stimulus may lower it taken out."""
        level = np.log(np.abs(self.ratio)) - np.log1p(-self.noise_share / 2.0)
        return np.asarray(level + 1j * np.unwrap(np.angle(self.ratio)))

    @property
    def noise_error(self) -> Floats:
        """Standard uncertainty of `log_ratio` by that noise, which all bands share."""
        return np.asarray(RECTANGULAR * self.noise_share / (1.0 - self.noise_share / 2.0))


@dataclass(frozen=True, slots=True, eq=False)
class Channels:
    """Two channels of a record, one over the other.

    Attributes
    ----------
    stimulus : numpy.ndarray of float, shape (samples,)
        The stimulus, its mean taken off.
    output : numpy.ndarray of float, shape (samples,)
        By the stimulus's clock and late by less than a sample.
    rate_hz : float
        Sampling rate [Hz].
    tapers : tuple of int
        Samples that a taper may take at either end.
    alignment : Alignment
        Delay, clocks, polarity.
    late_s : float
        What is left of the delay [s].
    sweep : bool
        Whether each frequency sounds once.
    name : str
        How messages call the record.
    from_file : bool
        Whether the stimulus is a file that was played.
    stimulus_noise : float
        Mean square of white noise that the stimulus may hold at most, in its unit squared.
    cut_ends : tuple of bool
        Whether a signal that comes and goes sounds on at the start, and at the end.
    """

    stimulus: Floats
    output: Floats
    rate_hz: float
    tapers: tuple[int, ...]
    alignment: Alignment
    late_s: float
    sweep: bool
    name: str
    from_file: bool = False
    stimulus_noise: float = 0.0
    cut_ends: tuple[bool, bool] = (False, False)
    # Transforms that do not depend on a response, once they are made.
    _kept: dict[str, Complex] = field(init=False, repr=False, default_factory=dict)

    def estimate(
        self, flattening: Response, *, highest_hz: float, timed: bool = False
    ) -> ResponseEstimate:
        """Estimate the response between the channels.

        Parameters
        ----------
        flattening : callable
            A response that is nearly right; the ratio is over it.
        highest_hz : float
            Highest frequency that counts [Hz].
        timed : bool, optional
            Whether to tell when each band sounds; else 0 s for all.

        Returns
        -------
        ResponseEstimate
            Only bands that the signal reaches, so that a ratio is known to 1 dB.

        Raises
        ------
        InputError
            When no band can be told.
        """
        pair = Pair(self.flattened(flattening), self.output, self.rate_hz, self.tapers)
        half = replace(pair, tapers=tuple(t // 2 for t in self.tapers))
        band_hz = LOWEST_HZ, min(highest_hz, HIGHEST_SHARE * self.rate_hz)
        located = timed or any(self.cut_ends)
        whole = self._lines("whole taper", pair, timed=located).bands(band_hz)
        by_half = self._lines("half taper", half).ratios(band_hz)
        bands = [_compared(*two) for two in zip(whole, by_half, strict=True)]
        bands = [b for b in bands if not self._is_cut(b)]
        told = [b for b in sounding_bands(bands) if b.variance <= _LARGEST_DEVIATION**2]
        share = self._noise_shares(told, flattening)
        known = np.array([b.variance for b in told])
        known += noise_scatter(share, np.array([b.free for b in told]))
        sure = (share <= _MOST_NOISE) & (known <= _LARGEST_DEVIATION**2)
        told, share = [b for b, s in zip(told, sure, strict=True) if s], share[sure]
        if not told:
            raise self._unrelated()
        return ResponseEstimate(
            np.array([b.mean_hz - b.spread_hz for b in told]),
            np.array([b.mean_hz + b.spread_hz for b in told]),
            np.array([b.ratio for b in told]),
            np.array([b.variance for b in told]),
            np.array([b.coherence for b in told]),
            np.array([b.sounds_s * timed for b in told]),
            share,
            np.array([b.free for b in told]),
        )

    def _is_cut(self, band: Band) -> bool:
        """Whether a band sounds so near an end that much of what it makes ring is cut off."""
        half_s = self.output.size / self.rate_hz / 2.0
        away_s = (half_s + band.sounds_s, half_s - band.sounds_s)
        return any(
            cut and away * band.mean_hz < _LEAST_PERIODS
            for cut, away in zip(self.cut_ends, away_s, strict=True)
        )

    def _noise_shares(self, bands: list[Band], flattening: Response) -> Floats:
        """The share of each band's stimulus that white noise of its channel may have."""
        if self.stimulus_noise == 0.0 or not bands:
            return np.zeros(len(bands))
        flat = np.abs(flattening(np.array([b.mean_hz for b in bands]))) ** 2
        of_unit = flat / np.array([b.density for b in bands])
        # What the stimulus does not explain is noise at most, and scatters by its lines.
        scatter = least_of_noise(np.array([b.free for b in bands]))
        most = np.minimum(1.0, (1.0 - np.array([b.coherence for b in bands])) / scatter)
        return np.asarray(of_unit * min(self.stimulus_noise, float(np.min(most / of_unit))))

    def _unrelated(self) -> InputError:
        """The error for an output that does not follow the stimulus at any frequency."""
        if self.from_file:
            return InputError.without_value(
                self.name,
                "it does not hold the signal of the played file",
                "name the file that was played, or check channel, leads and level",
            )
        return InputError(
            self.name,
            "no frequency at which the output follows the stimulus",
            "check channels, leads and levels, and that one clock plays and records",
        )

    def _lines(self, taper: str, pair: Pair, *, timed: bool = False) -> Lines:
        """Lines of a tapered pair, the output's without delay and the right way up."""
        lines = lines_of(pair, timed=timed, output=self._kept.get(taper))
        if taper not in self._kept:
            lines = lines.delayed(self.late_s, polarity=self.alignment.polarity)
            self._kept[taper] = lines.output
        return lines

    def by_other_clock(self, ratio: float) -> Channels:
        """Take a difference of clocks out that is left.

        Parameters
        ----------
        ratio : float
            Growth of the output's delay, in seconds a second.

        Returns
        -------
        Channels
            The same where it makes no notable difference.
        """
        if abs(ratio) * self.output.size < _NOTABLE_DRIFT:
            return self
        clocks = (1.0 + self.alignment.clock_ratio) * (1.0 + ratio) - 1.0
        alignment = replace(self.alignment, clock_ratio=clocks)
        return replace(self, output=by_other_clock(self.output, ratio), alignment=alignment)

    @property
    def output_lines(self) -> Complex:
        """Fourier lines of the output without its mean and delay, the right way up."""
        if "output" not in self._kept:
            moved = _moved_lines(self.output - self.output.mean(), self.late_s * self.rate_hz)
            self._kept["output"] = self.alignment.polarity * moved
        return self._kept["output"]

    def waveforms(self, flattening: Response) -> tuple[Floats, Floats]:
        """Stack the flattened stimulus and the output.

        Parameters
        ----------
        flattening : callable
            The response that the stimulus goes through.

        Returns
        -------
        tuple of numpy.ndarray of float, shape (samples,)
            Flattened stimulus, and the output without delay and the right way up.
        """
        from scipy.fft import irfft

        return self.flattened(flattening), np.asarray(irfft(self.output_lines, self.output.size))

    def flattened(self, flattening: Response) -> Floats:
        """Send the stimulus through a response.

        Parameters
        ----------
        flattening : callable
            The response.

        Returns
        -------
        numpy.ndarray of float, shape (samples,)
            Flattened stimulus.
        """
        if "stimulus" not in self._kept:
            self._kept["stimulus"] = with_silence(self.stimulus, self.rate_hz)
        return self._filtered(self._kept["stimulus"], flattening)

    def as_sampled(self, alike: Floats) -> tuple[Floats, Floats]:
        """Stack the output as it was sampled, and the flattened stimulus moved to it.

        Parameters
        ----------
        alike : numpy.ndarray of float, shape (samples,)
            Flattened stimulus that moves below 8 Hz as the output does, as from `alike_below`.

        Returns
        -------
        tuple of numpy.ndarray of float, shape (samples,)
            Output and flattened stimulus, the right way up.
        """
        from scipy.fft import irfft

        output = self.alignment.polarity * (self.output - self.output.mean())
        moved = _moved_lines(alike, -self.late_s * self.rate_hz)
        return output, np.asarray(irfft(moved, alike.size))

    def alike_below(self, samples: Floats, others: Floats) -> Floats:
        """Move samples as others do below 8 Hz, where no response is told.

        Parameters
        ----------
        samples, others : numpy.ndarray of float, shape (samples,)
            Two waveforms.

        Returns
        -------
        numpy.ndarray of float, shape (samples,)
            The first, with the slow part of the others.
        """
        from scipy.fft import irfft, rfft

        size = samples.size
        slow = rfft(others - samples)
        slow[math.ceil(LOWEST_HZ * size / self.rate_hz) :] = 0.0
        return np.asarray(samples + irfft(slow, size))

    def before(self, output: Floats, response: Response) -> Floats:
        """Undo a response where the signal may reach.

        Parameters
        ----------
        output : numpy.ndarray of float, shape (samples,)
            What came out.
        response : callable
            The response to undo, from 8 Hz to nearly half the sampling rate.

        Returns
        -------
        numpy.ndarray of float, shape (samples,)
            What went in.
        """

        def inverse(frequency_hz: Floats) -> Complex:
            low = frequency_hz < LOWEST_HZ  # of which noise would grow without bounds
            return np.asarray(1.0 / response(np.where(low, LOWEST_HZ, frequency_hz)))

        return self._filtered(with_silence(output, self.rate_hz), inverse)

    def _filtered(self, lines: Complex, response: Response) -> Floats:
        return filtered(lines, response, samples=self.output.size, rate_hz=self.rate_hz)

    def replaced(self, difference: Floats) -> Channels:
        """Add to the output what is late and turned as it is.

        Parameters
        ----------
        difference : numpy.ndarray of float, shape (samples,)
            Without delay and the right way up, as from `waveforms`.

        Returns
        -------
        Channels
            With another output.
        """
        from scipy.fft import irfft

        late = irfft(_moved_lines(difference, -self.late_s * self.rate_hz), difference.size)
        return replace(self, output=self.output + self.alignment.polarity * late)


def noise_scatter(share: Floats, free_lines: Floats) -> Floats:
    """Compute how the noise of a stimulus scatters the levels of ratios that it lowers.

    Of P + Q, signal and noise, the mean of Q is known; that of M lines scatters by Q/sqrt(M), and
    (P + Q - mean)/P with it, beside what the coherence tells.

    Parameters
    ----------
    share : numpy.ndarray of float, shape (bands,)
        Q/(P + Q), below 1.
    free_lines : numpy.ndarray of float, shape (bands,)
        Independent lines M of each band.

    Returns
    -------
    numpy.ndarray of float, shape (bands,)
        Variance of ln of a ratio.
    """
    kept = np.maximum(1.0 - share, _LEAST_KEPT)
    return np.asarray((share / kept) ** 2 / free_lines)


def rate_problem(rate_hz: float, band_hz: tuple[float, float], *, field: str) -> InputError | None:
    """Say why a sampling rate is too low for a band.

    Parameters
    ----------
    rate_hz : float
        Sampling rate [Hz].
    band_hz : tuple of float
        Band that is judged [Hz].
    field : str
        Where the rate stands.

    Returns
    -------
    InputError or None
        ``None`` where it is high enough.
    """
    if rate_hz >= 2.0 * band_hz[1]:
        return None
    return InputError(
        field,
        format_quantity(rate_hz, "Hz"),
        f"too low for a band up to {format_quantity(band_hz[1], 'Hz')}: record at "
        f"{format_quantity(2.2 * band_hz[1], 'Hz')} or more, or state a smaller band",
    )


def _moved_lines(samples: Floats, earlier: float) -> Complex:
    """Fourier lines of a signal by as many samples earlier."""
    from scipy.fft import rfft

    step = 2.0 * math.pi * earlier / samples.size
    return np.asarray(rfft(samples) * even_turns(samples.size // 2 + 1, step=step))


def measured_response(estimate: ResponseEstimate, flattening: Response) -> Response:
    """Interpolate what was measured between two channels.

    Parameters
    ----------
    estimate : ResponseEstimate
        Ratios band by band.
    flattening : callable
        What they are over.

    Returns
    -------
    callable
        The response, beyond the bands as at their ends.
    """
    position = np.log((estimate.low_hz + estimate.high_hz) / 2.0)
    log_ratio = np.log(np.abs(estimate.ratio)) + 1j * np.unwrap(np.angle(estimate.ratio))

    def measured(frequency_hz: Floats) -> Complex:
        ratio = np.interp(np.log(frequency_hz), position, log_ratio)
        return np.asarray(flattening(frequency_hz) * np.exp(ratio))

    return measured


def _compared(band: Band, by_half: complex) -> Band:
    """The band, its variance wider by what half the taper makes of its ratio beyond noise.

    A response rings past a taper; where the signal is strong only there, that is no noise.
    """
    excess = max(0.0, abs(np.log(by_half / band.ratio)) ** 2 - band.variance)
    return replace(band, variance=band.variance + _TAPER_SHOWS**2 * excess / 2.0)
