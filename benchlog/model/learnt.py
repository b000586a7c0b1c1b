"""What a soak has taught about a kind of part at a bench."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class LearntStability:
    """Allan variances of a soak, as they were when a run was begun that uses them.

    Parameters
    ----------
    run_id, began_utc_ns, ended_utc_ns :
        The soak. Where databases were merged its number may have changed; its
        beginning has not.
    device : str
        The device that was soaked.
    length : float
        Of the soak, in units of `tau0_s`.
    gate_s, tau0_s : float
        Gate and mean spacing of its readings; other ones have another Allan deviation.
    m, avar_ppm2, freedom : tuples of equal length
        Averaging factors (octaves), overlapping Allan variances and their equivalent
        degrees of freedom for the noise that the soak has there.
    void : str
        Why the soak does not count any more, as is known by now.

    """

    run_id: int
    device: str
    began_utc_ns: int
    ended_utc_ns: int
    length: float
    gate_s: float
    tau0_s: float
    m: tuple[int, ...]
    avar_ppm2: tuple[float, ...]
    freedom: tuple[float, ...]
    void: str = ""
