"""The fit behind `halocline.physics.water.fitted_bands`. Imported only when a fit is made.

Unknown are the K rank-one terms: up (rows summing to 1, so 2 K numbers), down (3 K), log c_k and log kd_k.
The residual at a path (s, y) is the difference of two 3 x 3 matrices. How far that is visible depends on the
colour it acts on, so each path carries a 9 x 9 root of the quadratic form "sum over the reference colours of
the squared CIEDE2000 difference", CIEDE2000 being linearised about the exact colour. The differences wanted
are far below 1, where that is accurate; the figures reported are full CIEDE2000, by colour-science.

Steps: start from slices of the spectrum; Levenberg-Marquardt; raise the weight of the colours and paths that
are worst and repeat, which moves the result from the least sum of squares toward the least maximum.
"""

from __future__ import annotations

import colour
import numpy as np
from scipy.optimize import least_squares

from halocline._typing import F64
from halocline.compute.threads import one_library_thread
from halocline.late_dataclass import dataclass
from halocline.physics.water.bands import (
    SHARE_NODES_NM,
    Bands,
    hat_functions,
    node_means,
    rounded,
    spectral_matrix,
)
from halocline.physics.water.solved_kd import LEAST_ATTENUATION, with_solved_light
from halocline.physics.water.spectra import FIRST_NM, LAST_NM, rec709_basis, sensor_weights
from halocline.physics.water.veil_fit import VeilSamples, fitted_albedo, logit, spectral_veil
from halocline.physics.water.water import Water
from halocline.rgb import BRADFORD, LINEAR_REC709

# Paths on which a white keeps less of its luminance than this are nobody's concern.
DARKEST_WHITE = 1e-3
GREYS = (0.18, 0.5)
# Paths of the fit, and rounds of re-weighting.
RANGE_STEPS, DEPTH_STEPS, RISE_STEPS, ROUNDS = 24, 9, 3, 8
# Weights, in CIEDE2000 per unit, of what must hold exactly: down @ up = 1, and no band of white light may
# have a negative tristimulus value. Heavy against residuals of 0.1, but the problem stays well conditioned.
UNIT_WEIGHT, LIGHT_WEIGHT = 300.0, 3000.0
# Smallest tristimulus value X, Y, Z of one band of white; what is pressed against it stays above 0.
LEAST_LIGHT = 1e-4
# Pull of log c and log kd toward their start: a decision where the data make none.
START_WEIGHT = 0.1
# Pull, in CIEDE2000, of a band's scattering toward its share of the water's, for bands too dim to decide it.
SHARE_WEIGHT = 0.1
# How far above the depth where light is white a surface may lie: metres at most, and optical depths of the
# water's clearest wavelength at most. More would spend the bands' precision on reds that no scene has.
HIGHEST_RISE_M, HIGHEST_RISE_DEPTHS = 5.0, 0.5
# A path of optical depth beyond this is dark.
DARK_OPTICAL_DEPTH = 9.0


@dataclass(frozen=True)
class Terms:
    """K rank-one terms: up (K, 3), down (3, K), c and kd (K,)."""

    up: F64
    down: F64
    c: F64
    kd: F64

    @classmethod
    def unpacked(cls, x: F64) -> Terms:
        """Read the terms from the solver's vector, (7 K,)."""
        count = x.size // 7
        free = x[: 2 * count].reshape(count, 2)
        up = np.column_stack([free, 1.0 - free.sum(axis=1)])
        down = x[2 * count : 5 * count].reshape(3, count)
        return cls(up, down, np.exp(x[5 * count : 6 * count]), np.exp(x[6 * count :]))

    def packed(self) -> F64:
        """Return the solver's vector."""
        parts = [self.up[:, :2].ravel(), self.down.ravel(), np.log(self.c), np.log(self.kd)]
        return np.concatenate(parts)

    def projected(self) -> Terms:
        """Return the nearest terms whose down @ up is exactly the unit matrix."""
        up = self.up + np.linalg.pinv(self.down) @ (np.eye(3) - self.down @ self.up)
        white = up.sum(axis=1)
        return Terms(up / white[:, None], self.down * white, self.c, self.kd)

    def left_after(self, s: F64, y: F64) -> F64:
        """Return what each path, (P,), leaves of each band, (P, K)."""
        return np.asarray(np.exp(-np.outer(s, self.c) - np.outer(y, self.kd)), dtype=np.float64)

    def matrices(self, s: F64, y: F64) -> F64:
        """Return the transfer of each path, (P, 3, 3)."""
        return np.asarray((self.down * self.left_after(s, y)[:, None, :]) @ self.up, dtype=np.float64)


@dataclass(frozen=True)
class Paths:
    """Paths that still carry light: s and y, (P,), m; their exact matrices, (P, 3, 3); white's Y, (P,)."""

    s: F64
    y: F64
    exact: F64
    luminance: F64

    @classmethod
    def lit(cls, water: Water, s: F64, y: F64, darkest: float = DARKEST_WHITE) -> Paths:
        """Take all pairs of s and y on which white keeps enough luminance."""
        every_s, every_y = np.repeat(s, y.size), np.tile(y, s.size)
        exact = spectral_matrix(water, LINEAR_REC709, every_s, every_y)
        luminance = exact.sum(axis=2) @ LINEAR_REC709.luminance_row
        kept = luminance >= darkest
        return cls(every_s[kept], every_y[kept], exact[kept], luminance[kept])


class Problem:
    """The weighted least squares over paths and reference colours."""

    def __init__(self, paths: Paths, start: Terms) -> None:
        self.paths = paths
        self.colours = reference_colours()
        self.start = np.concatenate([np.log(start.c), np.log(start.kd)])
        xyz = _exposed(paths.exact @ self.colours.T, paths.luminance)
        # Visible difference per change of linear RGB, (P, colours, 3, 3).
        self.visible = difference_root(xyz) @ (LINEAR_REC709.to_xyz / paths.luminance[:, None, None, None])
        self.weights = np.ones(xyz.shape[:2])
        self.roots = self._roots()

    def _roots(self) -> F64:
        """Return the 9 x 9 root of each path's quadratic form over the colours, (P, 9, 9)."""
        scaled = self.visible * self.weights[:, :, None, None]
        acting = scaled[..., None] * self.colours[None, :, None, None, :]
        flat = acting.reshape(len(self.paths.s), -1, 9)
        form = flat.transpose(0, 2, 1) @ flat
        # The reference colours need not decide every entry of a matrix; a trace of ridge keeps the root real.
        ridge = 1e-9 * np.trace(form, axis1=1, axis2=2)[:, None, None] * np.eye(9)
        root = np.linalg.cholesky(form + ridge).transpose(0, 2, 1)
        return np.asarray(root / np.sqrt(len(self.colours)), dtype=np.float64)

    def residual(self, x: F64) -> F64:
        """Return visible differences, then the constraints, in one vector."""
        terms = Terms.unpacked(x)
        off = (terms.matrices(self.paths.s, self.paths.y) - self.paths.exact).reshape(-1, 9, 1)
        light = LINEAR_REC709.to_xyz @ terms.down
        return np.concatenate(
            [
                (self.roots @ off).ravel(),
                UNIT_WEIGHT * (terms.down @ terms.up - np.eye(3)).ravel(),
                LIGHT_WEIGHT * np.minimum(light - LEAST_LIGHT, 0.0).ravel(),
                START_WEIGHT * (x[-2 * terms.c.size :] - self.start),
            ]
        )

    def jacobian(self, x: F64) -> F64:
        """Return the derivative of `residual`."""
        terms = Terms.unpacked(x)
        count, paths = terms.c.size, len(self.paths.s)
        left = terms.left_after(self.paths.s, self.paths.y)
        matrix_by_up, matrix_by_down, products = _matrix_derivatives(terms)
        visible = self.roots @ np.concatenate([matrix_by_up, matrix_by_down, products], axis=1)
        along_up, along_down, along_term = np.split(visible, [2 * count, 5 * count], axis=2)
        along_up = along_up * np.repeat(left, 2, axis=1)[:, None, :]
        along_down = along_down * np.tile(left, 3)[:, None, :]
        along_c = along_term * (-self.paths.s[:, None] * left * terms.c)[:, None, :]
        along_kd = along_term * (-self.paths.y[:, None] * left * terms.kd)[:, None, :]
        seen = np.concatenate([along_up, along_down, along_c, along_kd], axis=2).reshape(9 * paths, -1)

        unit = np.concatenate([matrix_by_up, matrix_by_down, np.zeros((9, 2 * count))], axis=1)
        dark = (LINEAR_REC709.to_xyz @ terms.down < LEAST_LIGHT).astype(np.float64)
        light = np.zeros((3, count, 7 * count))
        for band in range(count):
            at = 2 * count + band + count * np.arange(3)
            light[:, band, at] = dark[:, band, None] * LINEAR_REC709.to_xyz
        start = np.eye(7 * count)[5 * count :]
        return np.concatenate(
            [
                seen,
                UNIT_WEIGHT * unit,
                LIGHT_WEIGHT * light.reshape(3 * count, -1),
                START_WEIGHT * start,
            ]
        )

    def solved(self, x: F64, evaluations: int) -> F64:
        """Return the solution that Levenberg-Marquardt reaches from x."""
        found = least_squares(
            self.residual, x, jac=self.jacobian, method="lm", max_nfev=evaluations, ftol=1e-6, xtol=1e-8
        )
        return np.asarray(found.x, dtype=np.float64)

    def differences(self, terms: Terms) -> F64:
        """Return linearised CIEDE2000 of every colour on every path, (P, colours)."""
        off = terms.matrices(self.paths.s, self.paths.y) - self.paths.exact
        seen = self.visible @ (off @ self.colours.T).transpose(0, 2, 1)[..., None]
        return np.asarray(np.linalg.norm(seen[..., 0], axis=-1), dtype=np.float64)

    def emphasise(self, differences: F64) -> None:
        """Give more weight to what is worst."""
        self.weights *= np.sqrt(differences / differences.max() + 0.02)
        self.weights /= np.sqrt(np.mean(self.weights**2))
        self.roots = self._roots()


@one_library_thread()
def fit(water: Water, *, count: int, range_m: float, depth_m: float) -> Bands:
    """Return the bands of a water for linear Rec.709. Deterministic: nothing is drawn by chance.

    Daylight falls as the solved light does, not by the water's own Kd.
    """
    water = with_solved_light(water)
    rise_m = 0.0 if depth_m == 0.0 else highest_rise(water)
    ranges, depths = path_grid(water, range_m, depth_m, RANGE_STEPS, DEPTH_STEPS)
    depths = np.concatenate([np.linspace(-rise_m, 0.0, RISE_STEPS, endpoint=False), depths])
    # A little beyond the darkest white, so that the edge of the interval is not the edge of the data.
    paths = Paths.lit(water, ranges, depths, 0.7 * DARKEST_WHITE)
    start = slices(water, count)
    problem = Problem(paths, start)
    x = problem.solved(start.packed(), 120)
    best, least = x, np.inf
    for _ in range(ROUNDS):
        differences = problem.differences(Terms.unpacked(x).projected())
        if differences.max() < least:
            best, least = x, float(differences.max())
        problem.emphasise(differences)
        x = problem.solved(x, 20)
    terms = Terms.unpacked(best).projected()
    return _bands(water, terms, paths, range_m, depth_m, rise_m)


def highest_rise(water: Water) -> float:
    """Return how far above the depth of white light the fit holds, m, to four digits."""
    clearest = max(float(np.min(water.diffuse_attenuation_per_m)), LEAST_ATTENUATION)
    return float(f"{min(HIGHEST_RISE_M, HIGHEST_RISE_DEPTHS / clearest):.4g}")


def path_grid(water: Water, range_m: float, depth_m: float, ranges: int, depths: int) -> tuple[F64, F64]:
    """Return ranges and depths, m, that crowd toward 0 and end where all light is gone."""
    c, kd = water.attenuation_per_m, water.diffuse_attenuation_per_m
    longest = min(range_m, DARK_OPTICAL_DEPTH / max(float(np.min(c)), LEAST_ATTENUATION))
    deepest = min(depth_m, DARK_OPTICAL_DEPTH / max(float(np.min(kd)), LEAST_ATTENUATION))
    s = longest * np.linspace(0.0, 1.0, ranges) ** 1.7
    y = deepest * np.linspace(0.0, 1.0, depths if depth_m > 0.0 else 1) ** 1.5
    return s, y


def slices(water: Water, count: int) -> Terms:
    """Return the start of the fit: slices of the spectrum of equal weight, as nearest rank-one terms."""
    weights, basis = sensor_weights(LINEAR_REC709), rec709_basis()
    stimulus = weights @ LINEAR_REC709.to_xyz.T
    importance = stimulus.sum(axis=1)
    slice_of = np.minimum((np.cumsum(importance) / importance.sum() * count).astype(int), count - 1)
    up, down, c, kd = np.empty((count, 3)), np.empty((3, count)), np.empty(count), np.empty(count)
    for k in range(count):
        inside = slice_of == k
        left, size, right = np.linalg.svd(stimulus[inside].T @ basis[inside])
        white = float(right[0].sum())
        up[k] = right[0] / white
        down[:, k] = LINEAR_REC709.from_xyz @ left[:, 0] * size[0] * white
        c[k] = np.average(water.attenuation_per_m[inside], weights=importance[inside])
        kd[k] = np.average(water.diffuse_attenuation_per_m[inside], weights=importance[inside])
    return Terms(up, down, np.maximum(c, LEAST_ATTENUATION), np.maximum(kd, LEAST_ATTENUATION))


def reference_colours() -> F64:
    """Return white, greys and the 24 colour-checker patches in linear Rec.709, (27, 3).

    The patches are colour-science's "ColorChecker24 - After November 2014", adapted to D65 by Bradford.
    """
    checker = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = np.array([colour.xyY_to_XYZ(patch) for patch in checker.data.values()], dtype=np.float64)
    cones = BRADFORD @ LINEAR_REC709.to_xyz.sum(axis=1) / (BRADFORD @ colour.xy_to_XYZ(checker.illuminant))
    adapted = xyz @ np.linalg.solve(BRADFORD, cones[:, None] * BRADFORD).T
    neutral = [np.full((1, 3), level) for level in (1.0, *GREYS)]
    return np.concatenate([*neutral, adapted @ LINEAR_REC709.from_xyz.T]).astype(np.float64)


def lab_of(xyz: F64) -> F64:
    """Return CIE 1976 L*a*b* under D65 of XYZ with white Y = 1, (..., 3). CIE 15:2018, eq. 8.3 to 8.11."""
    ratio = xyz / LINEAR_REC709.to_xyz.sum(axis=1)
    cube = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = cube[..., 0], cube[..., 1], cube[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def difference_root(xyz: F64) -> F64:
    """Return R, (..., 3, 3), for which |R dXYZ| is the CIEDE2000 difference of a small change dXYZ."""
    white = LINEAR_REC709.to_xyz.sum(axis=1)
    ratio = xyz / white
    slope = np.where(
        ratio > (6 / 29) ** 3, np.cbrt(np.maximum(ratio, (6 / 29) ** 3)) ** -2.0 / 3, (29 / 6) ** 2 / 3
    )
    by_xyz = np.array([[0, 116, 0], [500, -500, 0], [0, 200, -200]]) * (slope / white)[..., None, :]
    return np.asarray(_lab_root(lab_of(xyz)) @ by_xyz, dtype=np.float64)


def _lab_root(lab: F64) -> F64:
    """Return the root of CIEDE2000's quadratic form about a colour. Terms as in ISO/CIE 11664-6:2014."""
    lightness, a, b = lab[..., 0], lab[..., 1], lab[..., 2]
    chroma7 = np.hypot(a, b) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(chroma7 / (chroma7 + 25.0**7))
    ap = stretch * a
    # At a neutral, hue has no direction; any will do, for there S_C = S_H = 1.
    cp = np.maximum(np.hypot(ap, b), 1e-9)
    hue = np.degrees(np.arctan2(b, ap)) % 360.0
    t = (
        1.0
        - 0.17 * np.cos(np.radians(hue - 30.0))
        + 0.24 * np.cos(np.radians(2.0 * hue))
        + 0.32 * np.cos(np.radians(3.0 * hue + 6.0))
        - 0.20 * np.cos(np.radians(4.0 * hue - 63.0))
    )
    s_l = 1.0 + 0.015 * (lightness - 50.0) ** 2 / np.sqrt(20.0 + (lightness - 50.0) ** 2)
    s_c, s_h = 1.0 + 0.045 * cp, 1.0 + 0.015 * cp * t
    turn = 60.0 * np.exp(-(((hue - 275.0) / 25.0) ** 2))
    r_t = -2.0 * np.sqrt(cp**7 / (cp**7 + 25.0**7)) * np.sin(np.radians(turn))
    cos, sin = np.where(cp > 1e-9, ap / cp, 1.0), np.where(cp > 1e-9, b / cp, 0.0)
    chroma_a, chroma_b = stretch * cos / s_c, sin / s_c
    hue_a, hue_b = -stretch * sin / s_h, cos / s_h
    # dC^2 + dH^2 + R_T dC dH = (dC + R_T dH / 2)^2 + (1 - R_T^2 / 4) dH^2
    rest = np.sqrt(1.0 - r_t**2 / 4.0)
    root = np.zeros((*lab.shape, 3))
    root[..., 0, 0] = 1.0 / s_l
    root[..., 1, 1], root[..., 1, 2] = chroma_a + r_t / 2 * hue_a, chroma_b + r_t / 2 * hue_b
    root[..., 2, 1], root[..., 2, 2] = rest * hue_a, rest * hue_b
    return root


def _matrix_derivatives(terms: Terms) -> tuple[F64, F64, F64]:
    """Return d vec(down @ up) by up's free parts, (9, 2 K), by down, (9, 3 K), and by each term, (9, K)."""
    count = terms.c.size
    by_up = np.einsum("ik,jl->ijkl", terms.down, np.eye(3))
    by_up = by_up[..., :2] - by_up[..., 2:]
    by_down = np.einsum("im,kj->ijmk", np.eye(3), terms.up)
    products = np.einsum("ik,kj->ijk", terms.down, terms.up)
    return by_up.reshape(9, 2 * count), by_down.reshape(9, 3 * count), products.reshape(9, count)


def _exposed(rgb: F64, luminance: F64) -> F64:
    """Return XYZ of colours (P, 3, colours), each path scaled to Y = 1 of its white: (P, colours, 3)."""
    return np.asarray((LINEAR_REC709.to_xyz @ rgb / luminance[:, None, None]).transpose(0, 2, 1))


def _delta_e(exact: F64, other: F64) -> F64:
    return np.asarray(colour.delta_E(lab_of(exact), lab_of(other), method="CIE 2000"), dtype=np.float64)


def colour_differences(water: Water, bands: Bands, s: F64, y: F64) -> F64:
    """Return CIEDE2000 of bands against the 1 nm sum on all lit pairs of s and y: (paths, colours)."""
    paths = Paths.lit(water, s, y)
    colours = reference_colours().T
    in_bands = bands.in_space(LINEAR_REC709).transfer_matrix(paths.s, paths.y)
    exact = _exposed(paths.exact @ colours, paths.luminance)
    return _delta_e(exact, _exposed(in_bands @ colours, paths.luminance))


def _bands(water: Water, terms: Terms, paths: Paths, range_m: float, depth_m: float, rise_m: float) -> Bands:
    shares = _shares(water, terms, paths)
    wavelength = np.clip(shares @ SHARE_NODES_NM, FIRST_NM, LAST_NM)
    order = np.argsort(wavelength)
    terms = Terms(terms.up[order], terms.down[:, order], terms.c[order], terms.kd[order])
    nodes = (water.absorption_per_m, water.scattering_per_m, water.diffuse_attenuation_per_m)
    spectrum = rounded(np.stack([node_means(values) for values in nodes]), 9)
    scattering, worst_veil = _scattering(water, terms, shares[order], spectrum, range_m, depth_m)
    rounded_c, rounded_b = rounded(terms.c, 9), rounded(scattering, 9)
    bands = Bands(
        space=LINEAR_REC709.name,
        water=water.name,
        range_m=range_m,
        depth_m=depth_m,
        rise_m=rise_m,
        up=rounded(terms.up),
        down=rounded(terms.down),
        wavelength_nm=rounded(wavelength[order], 6),
        absorption=rounded(rounded_c - rounded_b, 9),
        scattering=rounded_b,
        attenuation=rounded_c,
        diffuse_attenuation=rounded(terms.kd, 9),
        shares=np.round(shares[order], 6),
        worst_delta_e=0.0,
        mean_delta_e=0.0,
        worst_veil_delta_e=round(worst_veil, 4),
        asymmetry=water.asymmetry,
        spectrum=spectrum,
    )
    s, y = path_grid(water, range_m, depth_m, 90, 30)
    y = np.concatenate([np.linspace(-rise_m, 0.0, 9, endpoint=False), y])
    found = colour_differences(water, bands, s, y)
    figures = {"worst_delta_e": round(float(found.max()), 4), "mean_delta_e": round(float(found.mean()), 4)}
    return Bands.from_dict(bands.to_dict() | figures)


def _shares(water: Water, terms: Terms, paths: Paths) -> F64:
    """Return the share of each stretch of the spectrum in each band, (K, 31); see `band_value`."""
    white = _exposed(paths.exact @ np.ones((3, 1)), paths.luminance)
    visible = difference_root(white)[:, 0] @ (LINEAR_REC709.to_xyz / paths.luminance[:, None, None])
    in_bands = visible @ (terms.down * terms.left_after(paths.s, paths.y)[:, None, :])
    loss = np.outer(paths.s, water.attenuation_per_m) + np.outer(paths.y, water.diffuse_attenuation_per_m)
    stretches = np.exp(-loss)[:, None, :] * hat_functions()
    exact = visible @ (stretches @ sensor_weights(LINEAR_REC709)).transpose(0, 2, 1)
    system, wanted = in_bands.reshape(-1, terms.c.size), exact.reshape(-1, SHARE_NODES_NM.size)
    # A slight ridge: in clear water neighbouring bands are hardly told apart.
    form = system.T @ system
    ridge = 1e-6 * np.trace(form) / len(form) * np.eye(len(form))
    shares = np.linalg.solve(form + ridge, system.T @ wanted)
    return np.asarray(shares / shares.sum(axis=1, keepdims=True), dtype=np.float64)


def _scattering(
    water: Water, terms: Terms, shares: F64, spectrum: F64, range_m: float, depth_m: float
) -> tuple[F64, float]:
    """Return b of each band, (K,), that gives the veiling light its colour, and the worst CIEDE2000 left."""
    if float(np.max(spectrum[1])) < LEAST_ATTENUATION:
        return np.zeros_like(terms.c), 0.0
    ranges, depths = path_grid(water, range_m, depth_m, 7, 6)
    rays = VeilSamples(depths, ranges[1:])
    veil = spectral_veil(spectrum, terms.c, terms.kd, shares, water.asymmetry, rays)
    exact = veil.exact @ (sensor_weights(LINEAR_REC709) @ LINEAR_REC709.to_xyz.T)
    # A ray that goes up from the surface has no water before it.
    seen = exact[:, 1] > DARKEST_WHITE * exact[:, 1].max()
    luminance = exact[:, 1:2]
    root = np.zeros((len(exact), 3, 3))
    root[seen] = difference_root(exact[seen] / luminance[seen]) / luminance[seen, :, None]
    down = LINEAR_REC709.to_xyz @ terms.down
    start = np.clip(shares @ spectrum[1], 0.5 * np.min(spectrum[1]), 0.99 * terms.c) / terms.c
    weight = seen.astype(np.float64)
    least, best = np.inf, start
    for _ in range(ROUNDS):
        albedo = fitted_albedo(veil, down, root, exact, start, SHARE_WEIGHT, weight)
        light = np.exp(veil.of_bands(logit(albedo))[0])[seen] @ down.T
        found = _delta_e(exact[seen] / luminance[seen], light / luminance[seen])
        if found.max() < least:
            least, best = float(found.max()), albedo
        weight[seen] *= np.sqrt(found / max(float(found.max()), 1e-12) + 0.03)
        weight /= weight[seen].mean()
    return best * terms.c, least
