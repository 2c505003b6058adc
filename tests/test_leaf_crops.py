"""Crops for the finder of staves: picture and targets keep together through all that is done to them."""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from neumary_models.leaf_outputs import LEAF_SPACE, STRIDE  # noqa: E402
from neumary_training.leaf_crops import OFF_PAGE, LeafCropper, ended, hidden, sheared  # noqa: E402
from neumary_training.leaf_data import STORED_SPACE, Leaf  # noqa: E402

SIDE = 640
TOP, BOTTOM = 300.0, 300.0 + 3 * STORED_SPACE  # stored rows of the outer of four lines


def leaf(lined: bool = True) -> Leaf:
    """A page with one staff of four level lines across it, its targets worked out by hand."""
    picture = np.full((SIDE, SIDE, 3), 255, np.uint8)
    rows = 2 * np.arange(SIDE // 2)[:, None] + 0.5 + np.zeros((1, SIDE // 2))
    near = np.full(rows.shape, OFF_PAGE)
    for k in range(4 * lined):
        row = TOP + k * STORED_SPACE
        picture[int(row) - 1 : int(row) + 2] = 40
        near = np.minimum(near, np.abs(rows - row))
    inside = (rows > TOP - 4) & (rows < BOTTOM + 4) & lined
    up, down, line, space = (
        x.astype(np.float16) for x in (rows - TOP, BOTTOM - rows, near, np.where(inside, STORED_SPACE, 0.0))
    )
    return Leaf(picture, inside.astype(np.uint8), up, down, line, space, np.zeros(rows.shape, np.uint8))


def cropper(vary: bool, lined: bool = True) -> LeafCropper:
    return LeafCropper([leaf(lined)], 192, torch.device("cpu"), vary=vary)


@pytest.mark.parametrize("scale", [0.55, 0.75, 1.5])
@pytest.mark.parametrize("seed", range(4))
def test_targets_lie_on_the_lines_of_a_bent_crop(scale: float, seed: int) -> None:
    """Seen or not, the top line is where `up` says: sheared, stretched, at any scale."""
    made = cropper(vary=True)
    rng = np.random.default_rng(seed)
    while (bend := made._bend(rng, 3)).margin == 0:
        pass
    made._bend = lambda *_: bend  # type: ignore[method-assign]
    crops = made._cut(rng, np.zeros(3, np.intp), scale)
    assert abs(bend.shear).max() > 0.01
    for one in range(3):
        dark = crops.picture[one].mean(0).numpy()
        for row, col in np.argwhere(crops.zone[one].numpy() > 0)[::23]:
            top = STRIDE * (row - float(crops.up[one, row, col]) + 0.5) - 0.5
            around = np.arange(max(round(top) - 2, 0), min(round(top) + 3, 192))
            own = dark[around, STRIDE * col]
            if 4 <= top < 188 and own.max() > 0.3 and len(around) == 5:
                middle = float((around * own**2).sum() / (own**2).sum())
                assert abs(middle - top) < 1.0, (row, col, middle, top)
        on = crops.zone[one] > 0
        height = (crops.up + crops.down)[one][on] * STRIDE  # pixels
        space = torch.exp(crops.space[one][on]) * LEAF_SPACE
        assert torch.allclose(height / 3, space, rtol=0.02)


def test_a_shear_by_hand() -> None:
    """A third of a row a column, three columns: the outer ones move by a third either way."""
    picture = torch.arange(7.0)[None, None, :, None].expand(1, 1, 7, 3)
    out = sheared(picture, torch.tensor([1 / 3]), 2)
    expected = torch.tensor([[2 - 1 / 3, 2, 2 + 1 / 3], [3 - 1 / 3, 3, 3 + 1 / 3], [4 - 1 / 3, 4, 4 + 1 / 3]])
    assert torch.allclose(out[0, 0], expected)


def test_beyond_a_page_s_end_there_is_nothing() -> None:
    crops = cropper(vary=False)._cut(np.random.default_rng(0), np.zeros(32, np.intp), 0.3)
    done = ended(crops, np.random.default_rng(1))
    changed = [i for i in range(32) if not torch.equal(done.picture[i], crops.picture[i])]
    assert 3 < len(changed) < 20
    for one in changed:
        gone = (done.zone[one] == 0) & (crops.zone[one] > 0)
        assert float(done.picture[one][:, ::2, ::2][:, gone].abs().sum()) == 0
        assert bool((done.line[one][gone] == OFF_PAGE).all())
    assert torch.equal(done.up, crops.up), "what is cut off still bounds the staff"


def test_hidden_patches_leave_staves_and_their_lines() -> None:
    crops = cropper(vary=False)._cut(np.random.default_rng(0), np.zeros(16, np.intp), 0.75)
    done = hidden(crops, np.random.default_rng(2))
    assert not torch.equal(done.picture, crops.picture)
    for name in ("zone", "up", "down", "line", "space"):
        assert torch.equal(getattr(done, name), getattr(crops, name))


def test_small_pages_lie_on_nothing() -> None:
    crops = cropper(vary=False)._cut(np.random.default_rng(5), np.zeros(8, np.intp), 0.2)
    assert crops.picture.shape[2:] == (192, 192) and int((crops.zone > 0).any(2).any(1).sum()) == 8
    off = crops.picture.sum(1)[:, ::2, ::2] == 0
    assert float(crops.line[off & (crops.zone == 0)].min()) > 0


def test_the_same_seed_gives_the_same_crops() -> None:
    one, two = (cropper(vary=True).crops(np.random.default_rng(7), 6) for _ in range(2))
    assert all(torch.equal(getattr(one, name), getattr(two, name)) for name in type(one).__slots__)


def test_pages_without_staves_say_so_at_any_scale() -> None:
    made, rng = cropper(vary=True, lined=False), np.random.default_rng(0)
    for _ in range(8):
        assert int(made.crops(rng, 2).zone.max()) == 0
