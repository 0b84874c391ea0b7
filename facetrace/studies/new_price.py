"""A new price file, with a remark beside each key (``facetrace new prices``)."""

from collections.abc import Sequence

from facetrace.common.commented import Entry, Table, commented, plain

HEAD = (
    "Your prices. facetrace knows none: a plan's value and bid are as good as what you write here.",
    "Lines behind a # are examples, and their numbers are invented.",
)
FACTORS = (
    "What a figure of the stone multiplies its price by: straight lines between the points, level beyond them.",
    "by: light returned (at_percent: % of all light), window, zone (% of the face), lightness, chroma (at: L*, C*), hue",
    "(degrees, which go round: -40 is 320).",
)
# figure, key of its points, points, factors: invented
EXAMPLES = (
    ("light returned", "at_percent", [3, 6, 10], [0.8, 1, 1.15]), ("window", "at_percent", [2, 12], [1, 0.6]),
    ("zone", "at_percent", [2, 20], [1, 0.7]), ("lightness", "at", [15, 30, 45, 70], [0.6, 1, 1, 0.7]),
    ("chroma", "at", [20, 60], [0.6, 1.1]), ("hue", "at", [-40, 0, 25, 60], [0.7, 1, 1, 0.7]),
)  # fmt: skip


def new_prices(
    per_carat: Sequence[tuple[float, float]], currency: str, cutting: float, *, margin_percent: float = 25,
    chance_percent: float = 10, loss_percent: float = 2, name: str = "Prices",
) -> str:  # fmt: skip
    """Text of a price file.

    Parameters
    ----------
    per_carat: (weight, price): from this weight on each carat of the whole stone costs so much, rising [ct, money].
    currency: its name.
    cutting: what cutting a stone costs [money].
    margin_percent: what is to be earned on the outlay [%].
    chance_percent: the chance to earn less that is accepted [%].
    loss_percent: the chance that a stone is lost in cutting [%].
    name: as in the file.
    """
    top = (
        Entry("name", name, "as tables and pages show it"),
        Entry("currency", currency, "of all money below"),
        Entry("notes", "", "where the prices come from, and when"),
    )
    steps = [
        Table("[[step]]", (
            Entry("from_carats", plain(weight), "from this weight on, ct"),
            Entry("per_carat", plain(price), f"each carat of the whole stone costs so much, {currency}"),
        ), ("Below the first step a stone is worth nothing.",) if k == 0 else ())
        for k, (weight, price) in enumerate(per_carat)
    ]  # fmt: skip
    factors = [
        Table("[[factor]]", (Entry("by", by), Entry(key, at), Entry("times", times)), FACTORS if k == 0 else (), off=True)
        for k, (by, key, at, times) in enumerate(EXAMPLES)
    ]  # fmt: skip
    outline = Table("[outline]", (Entry("round", 1.1), Entry("heart", 0.9)), (
        "The same by the design's outline; one that is not named changes nothing.",
    ), off=True)  # fmt: skip
    costs = (
        Entry("cutting", plain(cutting), "for each stone"),
        Entry("per_carat_rough", 0, "for each carat of the rough"),
        Entry("other", 0, "once for each rough"),
    )
    risk = (
        Entry("margin_percent", plain(margin_percent), "what you want to earn on the outlay, %"),
        Entry("chance_percent", plain(chance_percent), "the chance to earn less that you accept, %"),
        Entry("loss_percent", plain(loss_percent), "the chance that a stone is lost in cutting, %"),
    )  # fmt: skip
    return commented(HEAD, (
        Table("", top), *steps, *factors, outline, Table("[costs]", costs), Table("[risk]", risk),
    ))  # fmt: skip
