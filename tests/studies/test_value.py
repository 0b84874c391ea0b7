"""Value by a user's prices: exact integrals against quadrature and closed forms, bids worked by hand, mistakes.

That the price of a carat jumps at whole carats, and holds for the whole weight, is common practice, no
source. Prices are invented.
"""

import json
import math
import tomllib
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import binom, triang
from shared import ROOT, SCHEMA

from facetrace.common.errors import FacetraceError, FileError
from facetrace.results import money
from facetrace.results.reasons import why
from facetrace.studies.price import Factor, Prices, read_prices, schema_text
from facetrace.studies.value import LIGHTER, Stone, bid_limit, parcel_bid, worth
from facetrace.trace.faceup import Estimate

SCHEMA_NAME = "facetrace-price.schema.json"
SHIPPED = sorted((ROOT / "designs" / "prices").glob("*.toml"))
LIGHT = {"by": "light returned", "at_percent": [20, 40, 60], "times": [0.7, 1.0, 1.2]}
ZONE = {"by": "zone", "at_percent": [0, 30], "times": [1.0, 0.4]}
STEPS = ((0, 100), (1, 650), (2, 900))


def prices(steps=STEPS, factors=(), **risk):
    return Prices.model_validate({
        "name": "t", "currency": "coins",
        "step": [{"from_carats": c, "per_carat": p} for c, p in steps], "factor": list(factors),
        "costs": {"cutting": 40, "per_carat_rough": 5, "other": 20},
        "risk": {"margin_percent": 25, "chance_percent": 10} | risk,
    })  # fmt: skip


def stone(low, expected, high, outline="oval", **figures):
    names = {name.replace("_", " "): figure for name, figure in figures.items()}
    return Stone(low, expected, high, outline, names)


def triangle(low, expected, high):
    return triang((expected - low) / (high - low), low, high - low)


def paid(steps, carats):
    return carats * max((s for s in steps if s[0] <= carats), default=(0, 0))[1]


TRIANGLES = [(0.8, 0.95, 1.1), (0.9, 1.0, 1.0), (1.0, 1.0, 2.3), (0.5, 1.9, 2.6), (2.1, 2.2, 2.4)]
FALLING = ((0.9, 700), (1, 300), (1.5, 0), (2, 400))


@pytest.mark.parametrize("carats", TRIANGLES)
@pytest.mark.parametrize("steps", [STEPS, FALLING], ids=["rising", "falling"])
def test_expected_value_is_the_integral_over_the_triangle(carats, steps):
    """scipy's quadrature over scipy's triangular density, with the steps as its break points."""
    density = triangle(*carats).pdf
    breaks = [c for c in (carats[1], *(s[0] for s in steps)) if carats[0] < c < carats[2]]
    mean, _ = quad(
        lambda w: paid(steps, w) * density(w), carats[0], carats[2], points=breaks or None
    )
    found = worth(prices(steps), [stone(*carats)])
    assert found.expected.value == pytest.approx(mean, rel=1e-9)
    at_most = 0.6 * found.high.value
    weights = np.linspace(carats[0], carats[2], 200_001)
    below = np.array([paid(steps, w) <= at_most for w in (weights[1:] + weights[:-1]) / 2])
    chance = np.diff(triangle(*carats).cdf(weights)) @ below
    # the sum over cells misses at most one cell at each of six borders
    assert found.spread.upto(at_most) == pytest.approx(chance, abs=6 * 2 / 200_000)


@pytest.mark.parametrize("carats", TRIANGLES)
def test_one_price_makes_the_closed_form(carats):
    """Mean of a triangular distribution (a + b + c) / 3; quantiles are scipy's, scaled."""
    found = worth(prices(((0, 300),)), [stone(*carats)])
    assert found.expected == Estimate(pytest.approx(300 * sum(carats) / 3), 0.0)
    for chance in (0.0, 0.01, 0.1, 0.5, 0.77, 1.0):
        expected = 300 * triangle(*carats).ppf(chance)
        assert found.quantile(chance).value == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("carats", TRIANGLES)
def test_quantiles_of_value_are_values_of_quantiles(carats):
    """The value rises with the weight, so quantiles map (a monotone function of a variable)."""
    found = worth(prices(), [stone(*carats)])
    for chance in (0.02, 0.1, 0.3, 0.5, 0.77, 0.98):
        expected = paid(STEPS, triangle(*carats).ppf(chance))
        assert found.quantile(chance).value == pytest.approx(expected, rel=1e-9)


def test_a_known_weight_and_the_jump_at_one_carat():
    """1.00 ct is priced as one carat, a hair less is not."""
    for carats, value in (
        (1.0, 650.0),
        (math.nextafter(1.0, 0.0), 100.0),
        (2.0, 1800.0),
        (0.0, 0.0),
    ):
        found = worth(prices(), [stone(carats, carats, carats)])
        for estimate in (found.expected, found.low, found.high, found.quantile(0.3)):
            assert estimate.value == pytest.approx(value)
    assert worth(prices(((0.5, 9),)), [stone(0.4, 0.4, 0.4)]).expected.value == 0.0
    hair = stone(math.nextafter(1.0, 0.0), 1.2, 1.4)
    assert worth(prices(), [hair]).expected.value == pytest.approx(650 * 1.2)


def test_chance_to_stay_above_a_step():
    """Half of a symmetric triangle lies above its middle; a quarter of its side makes 1/32 of it."""
    assert stone(0.8, 1.0, 1.2).chance_from(1.0) == pytest.approx(0.5)
    assert stone(0.8, 1.0, 1.2).chance_from(1.15) == pytest.approx(1 / 32)
    (found,) = worth(prices(), [stone(0.8, 1.0, 1.2)]).stones
    assert (found.step, found.per_carat, found.stays) == (1.0, 650.0, pytest.approx(0.5))


def test_the_sum_of_four_uniforms():
    """A triangle 0, 1, 2 is the sum of two uniform variables, two of them that of four: J. O. Irwin, P. Hall,
    Biometrika 19, 225 and 240 (1927)."""
    found = worth(prices(((0, 1),)), [stone(0, 1, 2), stone(0, 1, 2)])
    for x in (0.3, 1.0, 1.7, 2.0, 3.2, 4.0):
        terms = [(-1) ** k * math.comb(4, k) * max(x - k, 0.0) ** 4 for k in range(5)]
        assert found.spread.upto(x) == pytest.approx(sum(terms) / 24, abs=1e-14)
        assert found.quantile(sum(terms) / 24).value == pytest.approx(x, rel=1e-5)


def test_the_sum_of_six_uniforms():
    """Three triangles 0, 1, 2: Irwin and Hall again, of six. Folded steps make the sum too small by *error* at most."""
    spread = worth(prices(((0, 1),)), [stone(0, 1, 2)] * 3).spread
    assert spread.error == pytest.approx(6 / (1 << 14))

    def six(x):
        terms = [(-1) ** k * math.comb(6, k) * max(x - k, 0.0) ** 6 for k in range(7)]
        return sum(terms) / 720

    for x in (0.5, 1.0, 2.2, 3.0, 4.7):
        assert six(x) - 1e-9 <= spread.upto(x) <= six(x + spread.error) + 1e-9
        assert x - spread.error - 1e-9 <= spread.quantile(six(x)) <= x + 1e-9
        assert spread.reaches(x) == pytest.approx(1 - six(x), abs=spread.error)
    assert spread.mean == pytest.approx(3)
    # values known for sure, and none at all
    sure = worth(prices(), [stone(1, 1, 1)] * 3).spread
    assert sure.quantile(0.1) == pytest.approx(1950, abs=sure.error)
    assert sure.reaches(sure.quantile(0.1)) == 1
    assert worth(prices(((5, 1),)), [stone(0, 1, 2)] * 3).spread.quantile(0.5) == 0


def drawn(rng, count, carats, loss, steps=STEPS, lighter=0.0):
    """(count,) values of a stone by numpy's triangular distribution, lost ones 0."""
    weights = (1 - lighter) * rng.triangular(*carats, count)
    edges, per_carat = np.array(steps).T
    price = np.where(
        weights >= edges[0], per_carat[np.searchsorted(edges, weights, "right") - 1], 0
    )
    return weights * price * (rng.random(count) >= loss)


PLANS = [
    [(0.95, 1.0, 1.08)],
    [(0.8, 0.95, 1.1), (1.7, 1.9, 2.3)],
    [(0.8, 0.95, 1.1), (1.7, 1.9, 2.3), (0.5, 0.9, 1.2)],
]


@pytest.mark.parametrize("plan", PLANS, ids=len)
def test_chances_of_bids_against_drawn_stones(plan):
    """2^20 stones drawn by numpy, seed 5: chances within 4.5 standard errors, and the value's steps of *error*.
    Six normal deviates go that far in 1 of 25,000 runs."""
    loss, count = 0.07, 1 << 20
    book = prices(loss_percent=7)
    found = worth(book, [stone(*c) for c in plan])
    bid = bid_limit(book, found, 4.0)
    slack = 1e-12 + found.spread.error
    for lighter, chance in ((0.0, bid.earned), (LIGHTER, bid.earned_lighter)):
        rng = np.random.default_rng(5)
        values = sum(drawn(rng, count, c, loss, lighter=lighter) for c in plan)
        least, most = (float(np.mean(values >= bid.sale.value + d)) for d in (slack, -slack))
        error = 4.5 * math.sqrt(chance * (1 - chance) / count)
        assert least - error <= chance <= most + error
    assert bid.earned >= 0.9 - 1e-9
    assert bid.limit.value == pytest.approx(bid.sale.value / 1.25 - 40 * len(plan) - 20 - 20)


def test_a_lighter_stone_worked_by_hand():
    """Triangle 1.2, 1.6, 2.0 ct at 650: 90 % reach 1.2 + 0.4 sqrt(0.2). 3 % lighter, as many as reach that / 0.97."""
    bid = bid_limit(prices(), worth(prices(), [stone(1.2, 1.6, 2.0)]), 4.0)
    reach = 1.2 + 0.4 * math.sqrt(0.2)
    assert bid.earned == pytest.approx(0.9)
    assert bid.earned_lighter == pytest.approx(triangle(1.2, 1.6, 2.0).sf(reach / 0.97))
    # a carat for sure, 3 % lighter, is none
    bid = bid_limit(prices(), worth(prices(), [stone(1, 1, 1)]), 4.0)
    assert (bid.earned, bid.earned_lighter) == (1, 0)


def test_a_parcel_of_stones_that_are_kept_or_lost():
    """Ten stones of 650 coins, each lost with 20 %: the binomial distribution (scipy). Costs by hand."""
    book = prices(loss_percent=20)
    one = worth(book, [stone(1, 1, 1)])
    bid = parcel_bid(book, [(one, 3.0)] * 10)
    kept = binom(10, 0.8).ppf(0.1)
    assert bid.sale.value == pytest.approx(650 * kept, abs=1.25 * bid.error)
    assert bid.error < 1e-4 * 6500
    assert bid.limit.value == pytest.approx(bid.sale.value / 1.25 - 10 * (40 + 15 + 20))
    assert bid.earned == pytest.approx(binom(10, 0.8).sf(kept - 1), abs=1e-9)
    assert bid.nothing == pytest.approx(0.2**10)
    # alone none is worth a bid, for 20 % are more than is accepted
    assert bid_limit(book, one, 3.0).limit.value < 0


def test_a_parcel_against_drawn_stones():
    """2^18 parcels of seven stones drawn by numpy, seed 6: the chance within 4.5 standard errors (1 in 150,000)."""
    book = prices(loss_percent=7)
    roughs = [[stone(*c) for c in plan] for plan in (*PLANS, PLANS[0])]
    bid = parcel_bid(book, [(worth(book, plan), 4.0) for plan in roughs])
    rng = np.random.default_rng(6)
    values = sum(
        drawn(rng, 1 << 18, (s.low, s.expected, s.high), 0.07) for plan in roughs for s in plan
    )
    slack = 1.25 * bid.error
    least, most = (float(np.mean(values >= bid.sale.value + d)) for d in (slack, -slack))
    error = 4.5 * math.sqrt(0.09 / (1 << 18))
    assert least - error <= bid.earned <= most + error
    assert bid.earned == pytest.approx(0.9, abs=1e-4)
    alone = [bid_limit(book, worth(book, plan), 4.0).limit.value for plan in roughs]
    assert bid.limit.value > sum(alone)


def test_a_parcel_of_one_or_two_is_the_bid_for_these():
    """Sums of one and two are exact: a parcel of one rough is that rough."""
    book = prices(loss_percent=2)
    for plan in PLANS[:2]:
        of = worth(book, [stone(*c) for c in plan])
        alone, parcel = bid_limit(book, of, 4.0), parcel_bid(book, [(of, 4.0)])
        assert (parcel.limit, parcel.earned_lighter) == (alone.limit, alone.earned_lighter)


def test_a_parcel_leaves_uncut_what_is_not_worth_cutting():
    """0.3 ct at 100 do not bring back 40 for cutting; by weight and other costs are paid for it all the same."""
    book = prices()
    good, poor = worth(book, [stone(1.5, 1.5, 1.5)]), worth(book, [stone(0.3, 0.3, 0.3)])
    bid = parcel_bid(book, [(good, 4.0), (poor, 2.0), (None, 1.0)])
    assert bid.uncut == 2
    assert bid.limit.value == pytest.approx(975 / 1.25 - 40 - 5 * 7 - 3 * 20)
    none = parcel_bid(book, [(None, 1.0), (None, 2.0)])
    assert (none.limit.value, none.uncut) == (pytest.approx(-15 - 40), 2)
    assert none.remark.endswith("do not buy at any price.")


def test_two_stones_with_steps_and_losses():
    """Against quadrature over the first stone's weight of the other's chances by scipy."""
    one, other, loss = (0.8, 0.95, 1.1), (1.7, 1.9, 2.3), 0.07
    found = worth(prices(), [stone(*one), stone(*other)])
    total = found.spread.with_loss(loss)

    def second(amount):
        if amount < 0:
            return 0.0
        weights = [
            min(max(amount / p, a), b) for p, a, b in ((100, 0, 1), (650, 1, 2), (900, 2, 9))
        ]
        cdf = triangle(*other).cdf
        kept = sum(cdf(w) - cdf(a) for w, a in zip(weights, (0, 1, 2), strict=True))
        return loss + (1 - loss) * kept

    for amount in (0.0, 60.0, 700.0, 1300.0, 1800.0, 2100.0, 2600.0, 2784.9):
        inner, _ = quad(
            lambda w, amount=amount: triangle(*one).pdf(w) * second(amount - paid(STEPS, w)), *one[::2],
            points=[0.95, 1.0], limit=500, epsabs=1e-8,
        )  # fmt: skip
        assert total.upto(amount) == pytest.approx(
            loss * second(amount) + (1 - loss) * inner, abs=1e-6
        )
    singles = [worth(prices(), [stone(*c)]).expected.value for c in (one, other)]
    assert found.if_none_lost.value == pytest.approx(sum(singles))
    assert total.mean == pytest.approx((1 - loss) * sum(singles))
    assert total.nothing == pytest.approx(loss**2)


def test_bid_worked_by_hand():
    """1.5 ct for sure at 650: 975. 975 / 1.25 = 780, less 40 for cutting, 4 x 5 for the rough, 20: 700."""
    bid = bid_limit(prices(), worth(prices(), [stone(1.5, 1.5, 1.5)]), 4.0)
    assert bid.limit.value == pytest.approx(700)
    assert bid.sale.value == pytest.approx(975)
    assert bid.costs == (("cutting", 40), ("by weight of the rough, 4.00 ct", 20), ("other", 20))
    assert (bid.remark, bid.nothing) == ("", 0.0)
    # a tenth of the triangle 1.2, 1.6, 2.0 lies below 1.2 + 0.4 sqrt(0.2): closed form of its side
    bid = bid_limit(prices(), worth(prices(), [stone(1.2, 1.6, 2.0)]), 4.0)
    sale = 650 * (1.2 + 0.4 * math.sqrt(0.2))
    assert bid.limit.value == pytest.approx(sale / 1.25 - 80)
    poor = bid_limit(prices(), worth(prices(), [stone(0.9, 0.9, 0.9)]), 4.0)
    assert poor.limit.value == pytest.approx(90 / 1.25 - 80)
    assert (
        poor.remark
        == "Costs and margin take all that the sale surely brings: do not buy at any price."
    )


def test_a_stone_that_is_lost_too_often_is_no_buy():
    """Lost with 10 %, 10 % accepted: no sale is sure enough. Below, the rest of 10 % is the weight's."""
    book = prices(loss_percent=10)
    bid = bid_limit(book, worth(book, [stone(1.2, 1.6, 2.0)]), 4.0)
    assert (bid.sale.value, bid.limit.value) == (0.0, -80.0)
    assert (
        bid.remark
        == "With 10 % the stones bring nothing, accepted are 10 %: do not buy at any price."
    )
    book = prices(loss_percent=2)
    bid = bid_limit(book, worth(book, [stone(1.2, 1.6, 2.0)]), 4.0)
    of_the_kept = triangle(1.2, 1.6, 2.0).ppf(0.08 / 0.98)
    assert bid.sale.value == pytest.approx(650 * of_the_kept, rel=1e-9)
    # of two, both are lost with 1 %, at least one with 19 %
    book = prices(loss_percent=10)
    bid = bid_limit(book, worth(book, [stone(1.5, 1.5, 1.5)] * 2), 4.0)
    assert bid.sale.value == pytest.approx(975)
    assert (bid.nothing, bid.earned) == (pytest.approx(0.01), pytest.approx(0.99))
    assert ("cutting, 2 stones", 80.0) in bid.costs


@pytest.mark.parametrize("percent", [0, 2, 5, 9, 100])
def test_the_expected_value_counts_lost_stones(percent):
    """A lost stone brings nothing: the mean is that of those that come out times their chance."""
    plan = [stone(0.8, 0.95, 1.1), stone(1.7, 1.9, 2.3), stone(1.0, 1.0, 1.0)]
    for count in (1, 2, 3):
        sure = worth(prices(), plan[:count])
        found = worth(prices(loss_percent=percent), plan[:count])
        assert sure.expected.value == pytest.approx(sure.if_none_lost.value)
        assert found.if_none_lost.value == pytest.approx(sure.expected.value)
        kept = 1 - percent / 100
        assert found.expected.value == pytest.approx(kept * sure.expected.value)
        assert (found.low, found.high) == (sure.low, sure.high)


def test_errors_of_the_figures_reach_value_and_bid():
    """Two factors on straight lines: first-order errors, added up. Slopes 1.5 and -2 a unit, by hand."""
    book = prices(factors=[LIGHT, ZONE])
    looks = {"light_returned": Estimate(0.3, 0.012, 40), "zone": Estimate(0.1, 0.02, 9)}
    found = worth(book, [stone(1.2, 1.6, 2.0, **looks)])
    assert dict(found.stones[0].factors)["light returned"] == Estimate(
        pytest.approx(0.85), pytest.approx(0.018), 40
    )
    relative = 0.018 / 0.85 + 0.04 / 0.8
    base = worth(prices(), [stone(1.2, 1.6, 2.0)])
    factor = 0.85 * 0.8
    for ours, plain in ((found.expected, base.expected), (found.quantile(0.1), base.quantile(0.1))):
        assert ours.value == pytest.approx(factor * plain.value, rel=1e-9)
        assert ours.stderr == pytest.approx(factor * plain.value * relative, rel=1e-9)
        assert ours.dof == 9
    bid = bid_limit(book, found, 4.0)
    assert bid.limit.stderr == pytest.approx(found.quantile(0.1).stderr / 1.25)
    factors = {name: (f.value, f.stderr) for name, f in found.stones[0].factors}
    assert factors["light returned"] == pytest.approx((0.85, 0.02), abs=0.005)
    assert factors["zone"] == pytest.approx((0.8, 0.04), abs=0.005)


def test_a_factor_of_nothing_keeps_its_error():
    """A zone at the end of a table that falls to 0: worth nothing, give or take what one error brings."""
    book = prices(factors=[{"by": "zone", "at_percent": [0, 50], "times": [1, 0]}])
    found = worth(book, [stone(1, 1, 1, zone=Estimate(0.5, 0.05))])
    assert found.expected == Estimate(0.0, pytest.approx(65))
    assert bid_limit(book, found, 1.0).remark == (
        "With 100 % the stones bring nothing, accepted are 10 %: do not buy at any price."
    )


def test_what_is_not_known_changes_nothing_and_says_so():
    book = Prices.model_validate(
        prices(factors=[LIGHT, ZONE]).model_dump() | {"outline": {"round": 1.1}}
    )
    found = worth(book, [stone(1, 1, 1, zone=Estimate(0.0, 0.0))])
    assert found.expected.value == pytest.approx(650)
    assert found.stones[0].remarks == (
        "outline oval: not in the price file, x1", "light returned: not known of this stone, x1",
    )  # fmt: skip
    assert worth(book, [stone(1, 1, 1, "round")]).expected.value == pytest.approx(715)


def test_a_hue_goes_round():
    """-10 degrees are 350; from 40 a line leads on to -40, which is 320: half-way there, at 180, stands the mean."""
    hue = Factor(by="hue", at=[-40, 0, 20, 40], times=[0.6, 1, 1, 0.8])
    for degrees, times in (
        (0, 1),
        (360, 1),
        (-10, 0.9),
        (350, 0.9),
        (340, 0.8),
        (30, 0.9),
        (180, 0.7),
        (-180, 0.7),
    ):
        assert hue.of(degrees) == pytest.approx(times)
    for written in ([330, 350, 370], [-30, -10, 10]):
        other = Factor(by="hue", at=written, times=[0, 1, 0])
        assert [other.of(d) for d in (350, -10, 0, 100)] == pytest.approx([1, 1, 0.5, 0])
    flat = Factor(**LIGHT)
    assert [flat.of(x) for x in (0.0, 0.3, 0.9)] == pytest.approx([0.7, 0.85, 1.2])


COVERS = (
    "The chance covers the error of scan or caliper (each weight from low to high, as a triangle) and stones lost in cutting (5 % each). "
    "It leaves out errors of the colour data, of your prices, of the balance and of the scan's scale, of a shape that is assumed, and the cutter's skill."
)


def check_member(member, name):
    """Against the schema of what commands write with --json."""
    jsonschema.validate(member, {"$ref": f"#/$defs/{name}", "$defs": SCHEMA["$defs"]})


def test_words_of_value_and_bid():
    """Amounts by hand: triangle 1.2, 1.6, 2.0 ct at 650, mean 1,040; lost with 5 %: 988. Of the kept 5 / 95 lie below
    1.2 + 0.4 sqrt(2 x 5 / 95), a sale of 864; / 1.25 - 80 = 611. 3 % lighter, 86 % of all reach it (scipy)."""
    book = prices(loss_percent=5)
    of = worth(book, [stone(1.2, 1.6, 2.0)])
    bid = bid_limit(book, of, 4.0)
    reach = 1.2 + 0.4 * math.sqrt(2 * 5 / 95)
    assert round(0.95 * triangle(1.2, 1.6, 2.0).sf(reach / 0.97), 2) == 0.86
    assert money.headline([("oval", of, bid)]) == [
        "Expected value 988 coins: a stone is lost in cutting with a chance of 5 %. If none is lost 1,040 coins, low 780, high 1,300.",
        "Bid at most 611 coins for the rough: a margin of 25 % is then earned with a chance of 90 %. "
        "If the stone comes out 3 % lighter, the same bid earns that with a chance of 86 %.",
        COVERS,
    ]
    sure = prices()
    of = worth(sure, [stone(1.2, 1.6, 2.0)])
    assert money.expected_words(of) == (
        "Expected value 1,040 coins, low 780, high 1,300; no loss in cutting is counted in."
    )
    assert "It leaves out stones lost in cutting" in money.covers(bid_limit(sure, of, 4.0))
    poor = worth(sure, [stone(0.5, 0.5, 0.5)])
    bid = bid_limit(sure, poor, 4.0)
    assert money.bid_words(poor, bid) == [bid.remark, money.covers(bid)]


def test_the_headline_is_that_of_the_best_plan():
    """Two for sure of 1 ct bring 1,300, one of 1.95 brings 1,267.5, but costs 40 less: the bid for it is higher."""
    book = prices()
    plans = [
        (name, of, bid_limit(book, of, 4.0))
        for name, of in (
            ("One stone", worth(book, [stone(1.95, 1.95, 1.95)])),
            ("Two stones", worth(book, [stone(1, 1, 1)] * 2)),
            ("Three stones", worth(book, [stone(0.5, 0.5, 0.5)] * 3)),
        )
    ]
    assert money.best_of(plans) == 1
    first, _, bid, *_, last = money.headline(plans)
    assert first == "Worth most, by expected value: Two stones."
    assert bid.startswith("Bid at most 920 coins for the rough: ")
    assert (
        "If every stone comes out 3 % lighter, the same bid earns that with a chance of 0 %." in bid
    )
    assert last == (
        "One stone allows a higher bid, 934 coins: it is expected to bring less, 1,268 coins, "
        "but costs less to cut or is surer."
    )
    assert money.headline(plans[1:])[-1] == money.INDEPENDENT
    for _, of, bid in plans:
        for name, member in (
            ("Worth", money.worth_member(of, bid)["value"]),
            ("Bid", money.bid_member(bid)),
        ):
            check_member(member, name)


def test_words_of_a_parcel():
    book = prices(loss_percent=5)
    worths = [worth(book, [stone(1.2, 1.6, 2.0)]), worth(book, [stone(0.3, 0.3, 0.3)]), None]
    bids = [w and bid_limit(book, w, 4.0) for w in worths]
    parcel = parcel_bid(book, [(w, 4.0) for w in worths])
    words = money.parcel_words(book, bids, parcel)
    assert words[0].startswith("Sum of the single bids: 611 coins. ")
    assert words[1].startswith(
        "Bid for the parcel: at most 531 coins for all 3 roughs together; a margin of 25 % on the whole is then "
        "earned with a chance of 90 %. If every stone comes out 3 % lighter, the same bid earns that with a chance of 86 %."
    )
    assert words[2].endswith("single bids come to: roughs that are not cut have their costs, too.")
    assert words[3].startswith("Roughs that count as bought but not cut: 2 of 3; ")
    assert words[4:] == [COVERS, money.INDEPENDENT]
    check_member(money.parcel_member(book, bids, parcel), "Parcel")
    none = money.parcel_words(book, [None], parcel_bid(book, [(None, 4.0)]))
    assert none[1].startswith("The parcel: With 100 % the stones bring nothing, ")


@pytest.mark.parametrize(
    ("risk", "doubts"),
    [
        ({}, []),
        ({"margin_percent": 499}, []),
        ({"margin_percent": 500}, ["A margin of 500 % is asked: 6 times the outlay comes back. Is it meant?"]),
        ({"margin_percent": 0.3}, ["A margin of 0.3 % is next to nothing; percent are written, like 30. Is it meant?"]),
        ({"loss_percent": 0.02}, ["A loss of 0.02 % is next to nothing; percent are written, like 2. Is it meant?"]),
    ],
)  # fmt: skip
def test_what_is_seldom_meant_is_asked_about(risk, doubts):
    assert prices(**risk).risk.doubts == doubts


carats = st.floats(0, 5).map(lambda x: round(x, 3))
stones = st.lists(carats, min_size=3, max_size=3).map(sorted).map(lambda c: stone(*c))
tables = st.lists(
    st.tuples(carats, st.integers(0, 999)), min_size=1, max_size=5, unique_by=lambda s: s[0]
).map(sorted)


@given(tables, st.lists(stones, min_size=1, max_size=3), st.floats(0, 0.5), st.floats(0, 0.3))
def test_order_of_amounts(steps, plan, chance, loss):
    """The mean lies between the ends; quantiles rise; P(V >= q) q <= E(V) (Markov's inequality) bounds a bid."""
    book = prices(steps, chance_percent=100 * chance, loss_percent=100 * loss)
    found = worth(book, plan)
    slack = 1e-9 * (1 + found.high.value)
    assert found.expected.value == pytest.approx((1 - loss) * found.if_none_lost.value)
    assert found.low.value - slack <= found.if_none_lost.value <= found.high.value + slack
    assert found.spread.upto(found.high.value) == pytest.approx(1)
    assert found.quantile(0.2).value <= found.quantile(0.6).value + slack
    bid = bid_limit(book, found, 3.0)
    costs = sum(amount for _, amount in bid.costs)
    kept = bid.sale.value / (1 + book.risk.margin)
    assert kept - costs == pytest.approx(bid.limit.value, abs=slack)
    spent = 40 * len(plan) + 15 + 20
    most = found.expected.value / (1 - chance) / (1 + book.risk.margin) - spent
    assert bid.limit.value <= most + slack
    assert bid.earned >= 1 - chance - 1e-9
    rising = [price for _, price in steps] == sorted(price for _, price in steps)
    if rising and not bid.error:
        assert bid.earned_lighter <= bid.earned + 1e-9
    others = worth(book, plan[:1])
    assert {why(found, others)[-1], why(others, found)[-1]} == {"."}


def test_why_the_dearer_is_not_the_heavier():
    book = prices(factors=[LIGHT, ZONE])
    clean, seen = {"zone": Estimate(0.0, 0.001)}, {"zone": Estimate(0.15, 0.002)}
    a, b = worth(book, [stone(2.0, 2.0, 2.0)]), worth(book, [stone(1.05, 1.05, 1.05)] * 2)
    assert why(a, b) == "It reaches 2 ct: 900 a carat instead of 650."
    a, b = worth(book, [stone(1.4, 1.5, 1.6, **clean)]), worth(book, [stone(1.6, 1.7, 1.8, **seen)])
    assert why(a, b) == "Zone 0.0 % instead of 15.0 %: x1.00 instead of x0.70."
    assert why(b, a) == "It is not worth more."
    # sides of triangles by hand: 1 - 0.1^2 / (0.3 x 0.2) and 0.05^2 / (0.35 x 0.15) lie above 2 ct
    a, b = worth(book, [stone(1.9, 2.1, 2.2)]), worth(book, [stone(1.7, 1.9, 2.05)])
    assert why(a, b) == (
        "It reaches 2 ct with 83 %, the other with 5 % (by the scan's error alone): 860 a carat instead of 663. "
        "It is heavier: on average 2.07 ct instead of 1.88."
    )
    unsure = {"zone": Estimate(0.15, 0.1)}
    a, b = (
        worth(book, [stone(1.5, 1.5, 1.5, **seen)]),
        worth(book, [stone(1.4, 1.4, 1.4, **unsure)]),
    )
    assert why(a, b) == "Their values cannot be told apart."
    assert why(*(worth(book, [stone(1.2, 1.2, 1.2)] * k) for k in (2, 1))) == (
        "Two stones keep more: on average 2.40 ct instead of 1.20."
    )
    assert why(*(worth(book, [stone(1.2, 1.2, 1.2, **clean)] * k) for k in (3, 2))) == (
        "Three stones keep more: on average 3.60 ct instead of 2.40."
    )
    three = [stone(c, c, c, zone=Estimate(z, 0.0)) for c, z in ((2, 0), (0.5, 0.03), (0.5, 0.06))]
    assert why(worth(book, three), worth(book, [three[1]] * 3)).startswith(
        "Its largest stone reaches 1 ct: 633 a carat instead of 100."
    )
    assert "Zone 0.0 %, 3.0 % and 6.0 % instead of 30.0 %, 30.0 % and 30.0 %" in why(
        worth(book, three),
        worth(book, [replace(s, figures={"zone": Estimate(0.3, 0)}) for s in three]),
    )


def test_plans_that_are_none():
    for count in (0, 4):
        with pytest.raises(FacetraceError, match=rf"^a plan has one to three stones, not {count}$"):
            worth(prices(), [stone(1, 1, 1)] * count)
    with pytest.raises(
        FacetraceError, match=r"^carats 1, 0.9, 1.1: low, expected and high must rise$"
    ):
        stone(1, 0.9, 1.1)


GOOD = """name = "t"
currency = "coins"
[[step]]
from_carats = 0.5
per_carat = 300
[costs]
cutting = 40
[risk]
margin_percent = 25
chance_percent = 10
"""
FACTOR = '[[factor]]\nby = "window"\nat_percent = [10, 30]\ntimes = [1, 0.6]\n'
HUE = FACTOR.replace("window", "hue").replace("at_percent", "at")
WRONG = [
    (GOOD.replace("[costs]\ncutting = 40\n", ""), ": costs: is missing; it must be given"),
    (GOOD.replace("chance_percent = 10\n", ""), ":8: risk.chance_percent: is missing; it must be given"),
    (GOOD.replace('currency = "coins"\n', ""), ": currency: is missing; it must be given"),
    (GOOD.replace("0.5", "-0.5"), ":4: step[1].from_carats: must be at least 0, but is -0.5"),
    (GOOD.replace("300", "-300"), ":5: step[1].per_carat: must be at least 0, but is -300"),
    (GOOD + "[[step]]\nfrom_carats = 0.5\nper_carat = 400\n", ":12: step[2].from_carats: 0.5 comes after 0.5; steps must rise"),
    (GOOD.replace("= 25", "= 2500"), ":9: risk.margin_percent: must be at most 1000, but is 2500"),
    (GOOD.replace("= 10", "= 60"), ":10: risk.chance_percent: must be at most 50, but is 60"),
    (GOOD.replace("margin_percent = 25", "margin = 0.3"), ":9: risk.margin: is now margin_percent, in percent; write margin_percent = 30"),
    (GOOD.replace("margin_percent", "margin"), ":9: risk.margin: is now margin_percent, in percent; write margin_percent = 25"),
    (GOOD.replace("chance_percent = 10", "chance = 0.1"), ":10: risk.chance: is now chance_percent, in percent; write chance_percent = 10"),
    (GOOD + "loss = 0.025\n", ":11: risk.loss: is now loss_percent, in percent; write loss_percent = 2.5"),
    (GOOD.replace("cutting", "cuting"), ":7: costs.cuting: unknown key; did you mean 'cutting'?"),
    (GOOD + "lost_percent = 1\n", ":11: risk.lost_percent: unknown key; did you mean 'loss_percent'?"),
    (GOOD + FACTOR.replace("window", "colour"), ":12: factor[1].by: must be 'light returned', 'window', 'zone', 'lightness', 'chroma' or 'hue', but is 'colour'"),
    (GOOD + FACTOR.replace("at_percent = [10, 30]", "at = [0.05, 0.3]"), ":13: factor[1].at: window goes by percent; write at_percent = [5, 30]"),
    (GOOD + FACTOR.replace("at_percent", "at"), ":13: factor[1].at: window goes by percent; write at_percent = [10, 30]"),
    (GOOD + HUE.replace("at =", "at_percent ="), ":13: factor[1].at_percent: hue does not go by percent; write at = [10, 30]"),
    (GOOD + HUE.replace("at =", "# at ="), ":11: factor[1].at: is missing; it must be given"),
    (GOOD + FACTOR.replace("10, 30", "0.1, 0.3"), ":11: factor[1]: at_percent: 0.3 % is next to nothing; give percent, like 30"),
    (GOOD + FACTOR.replace("10, 30", "10, 130"), ":11: factor[1]: at_percent: window goes from 0 to 100 %"),
    (GOOD + FACTOR.replace("10, 30", "30, 10"), ":11: factor[1]: at_percent: 10 comes after 30; numbers must rise"),
    (GOOD + FACTOR.replace("10, 30", "10, 20, 30"), ":11: factor[1]: at_percent has 3 numbers, times 2; one belongs to each other"),
    (GOOD + HUE.replace("10, 30", "0, 360"), ":11: factor[1]: at: the last hue must lie less than 360 degrees after the first"),
    (GOOD + FACTOR + FACTOR, ":16: factor[2].by: a second one by window; give all its points in one"),
    (GOOD + "[outline]\nsquare = 1\n", ":12: outline.square: must be 'round', 'oval', 'pear', 'marquise', 'cushion', 'rectangle' or 'heart', but is 'square'"),
    (GOOD + "[outline]\nround = 1000\n", ":12: outline.round: must be at most 100, but is 1000"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "complaint"), WRONG, ids=lambda v: v[-40:])
def test_mistakes_get_one_clear_line(text, complaint, tmp_path):
    path = tmp_path / "prices.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileError) as caught:
        read_prices(path)
    assert str(caught.value) == f"{path}{complaint}"


def test_a_good_file_and_a_later_complaint(tmp_path):
    path = tmp_path / "prices.toml"
    path.write_text(GOOD + FACTOR, encoding="utf-8")
    file = read_prices(path)
    assert file.model.risk.loss == file.model.costs.other == 0
    assert (
        str(file.error(("risk", "margin_percent"), "low")) == f"{path}:9: risk.margin_percent: low"
    )
    assert [file.model.money(x) for x in (12340.4, 9.5, 40)] == [
        "12,340 coins",
        "9.50 coins",
        "40 coins",
    ]


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_shipped_prices_are_invented_and_say_so(path):
    file = read_prices(path)
    assert "invented" in file.model.notes
    # `facetrace trace` of the shipped designs, all ruby: 4.4 to 10.5 % of light returned, 0.1 to 2.4 % of window
    light = next(f for f in file.model.factor if f.by == "light returned")
    assert light.of(0.03) < light.of(0.045) < 1 < light.of(0.08) < light.of(0.1) <= light.of(0.5)
    schema = json.loads((path.parent / SCHEMA_NAME).read_text(encoding="utf-8"))
    jsonschema.validate(tomllib.loads(file.text), schema)
    assert file.text.startswith(f"#:schema ./{SCHEMA_NAME}\n# INVENTED: ")


def test_published_schema_of_prices_is_that_of_the_code():
    """Made by: python -m facetrace.studies.price"""
    published = ROOT / "designs" / "prices" / SCHEMA_NAME
    assert published.read_text(encoding="utf-8") == schema_text()
