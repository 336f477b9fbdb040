"""What the networks are taught, and how samples are varied on the way: all on the trainer's device.

A closure sample is bent, shifted, turned and stretched a little in the plane of the unrolled picture,
mirrored, recoloured (the whole picture, and each of its colours by itself), lit and shadowed
anew, and partly covered; its targets move with it (a line given as a function of the column is
carried by a few fixed-point steps, good to a hundredth of a pixel for such small warps). A block
sample is a window of any turn, scale and place cut from the larger picture. The loss is cross
entropy between the network's softmax (over the picture for a landmark, over a column for rim and
hairline, over a row for the centre line) and a narrow Gaussian about the truth, binary cross
entropy for masks (the block's edge weighing more) and flags, and one minus the cosine for the
direction of the face.
"""

from __future__ import annotations

import torch
from torch.nn import functional as F

from calibration.training.crew import BLOCK_DRAWN, BLOCK_SIZE
from placecheck.find.closure import MIRROR
from placecheck.find.unroll import HEIGHT, WIDTH

TARGET_CELLS = 1.3  # sigma of the Gaussian target in output cells
PLACE_SIZE = 512  # what the network that looks for the block's place is shown of a picture, before it is made smaller
Batch = dict[str, torch.Tensor]
Parts = dict[str, torch.Tensor]


def uniform(n: int, low: float, high: float, *shape: int, like: torch.Tensor) -> torch.Tensor:
    return torch.empty(n, *shape, device=like.device).uniform_(low, high)


def recoloured(x: torch.Tensor) -> torch.Tensor:
    """x (B, 3, h, w) in 0..1: gamma, gains, hue, contrast, blur or sharpening, noise, blots."""
    b = x.shape[0]

    def r(low: float, high: float, *shape: int) -> torch.Tensor:
        return uniform(b, low, high, *shape, like=x)

    x = x.clamp(1e-4, 1) ** torch.exp(r(-0.4, 0.4, 1, 1, 1))
    x = x * torch.exp(r(-0.35, 0.3, 1, 1, 1)) * torch.exp(r(-0.12, 0.12, 3, 1, 1))
    if torch.rand(()) < 0.15:
        x = x[:, torch.randperm(3, device=x.device)]
    grey = x.mean(1, keepdim=True)
    x = grey + (x - grey) * r(0.2, 1.5, 1, 1, 1)
    if torch.rand(()) < 0.3:
        x = F.avg_pool2d(x, 3, 1, 1) * 0.6 + x * 0.4
    if torch.rand(()) < 0.15:
        x = x + 1.0 * (x - F.avg_pool2d(x, 5, 1, 2))
    x = x + torch.randn_like(x) * r(0.0, 0.035, 1, 1, 1)
    return x.clamp(0, 1)


def tinted(x: torch.Tensor, colours: int = 4) -> torch.Tensor:
    """Pictures x (B, 3, h, w) in 0..1 with some of their own colours moved.

    Each colour is moved by itself, and those like it less the less alike they are: hair, cap, lace and block change
    against each other, along no line but those the picture has.
    """
    b, _, h, w = x.shape
    at = torch.randint(h * w, (b, colours), device=x.device)
    centres = x.flatten(2).gather(2, at[:, None].expand(b, 3, colours))
    moved = 0.12 * torch.randn(b, 1, colours, device=x.device) + 0.05 * torch.randn(b, 3, colours, device=x.device)
    reach = uniform(b, 0.06, 0.25, colours, like=x)
    out = x
    for k in range(colours):
        near = ((x - centres[:, :, k, None, None]) ** 2).sum(1, keepdim=True)
        out = out + moved[:, :, k, None, None] * torch.exp(-0.5 * near / reach[:, k, None, None, None] ** 2)
    return out.clamp(0, 1)


def lit(x: torch.Tensor) -> torch.Tensor:
    """x (B, 3, h, w) in 0..1 under a light that varies smoothly, half of them with a shadow's edge across."""
    b, _, h, w = x.shape
    glow = torch.randn(b, 1, 4, 4, device=x.device) * uniform(b, 0.0, 0.22, 1, 1, 1, like=x)
    light = F.interpolate(glow, (h, w), mode="bicubic", align_corners=True)
    ys = torch.linspace(-1, 1, h, device=x.device)[:, None]
    xs = torch.linspace(-1, 1, w, device=x.device)[None]
    angle, at, soft_by = (uniform(b, lo, hi, 1, 1, like=x) for lo, hi in ((0.0, 6.2832), (-0.7, 0.7), (0.01, 0.15)))
    dark = uniform(b, -0.8, 0.0, 1, 1, like=x) * (uniform(b, 0, 1, 1, 1, like=x) < 0.5)
    edge = torch.sigmoid((xs * torch.cos(angle) + ys * torch.sin(angle) - at) / soft_by)
    return (x * torch.exp(light + (dark * edge)[:, None])).clamp(0, 1)


def coarser(x: torch.Tensor) -> torch.Tensor:
    """x (B, 3, h, w) as a smaller photo would show it."""
    h, w = x.shape[2:]
    by = float(torch.empty(()).uniform_(1.2, 2.5))
    small = F.interpolate(x, (round(h / by), round(w / by)), mode="bilinear", align_corners=False, antialias=True)
    return F.interpolate(small, (h, w), mode="bilinear", align_corners=False)


def blotted(x: torch.Tensor, share: float, largest: int) -> torch.Tensor:
    """A rectangle of one noisy colour over part of `share` of the pictures: a hand, a comb, a clip."""
    b, _, h, w = x.shape
    ys, xs = torch.arange(h, device=x.device), torch.arange(w, device=x.device)
    cy, cx = uniform(b, 0, h, like=x), uniform(b, 0, w, like=x)
    sy, sx = uniform(b, 4, largest / 2, like=x), uniform(b, 4, largest / 2, like=x)
    on = uniform(b, 0, 1, like=x) < share
    inside = ((ys[None] - cy[:, None]).abs() < sy[:, None])[:, :, None]
    inside = inside & ((xs[None] - cx[:, None]).abs() < sx[:, None])[:, None, :] & on[:, None, None]
    colour = uniform(b, 0, 1, 3, 1, 1, like=x) + 0.05 * torch.randn_like(x)
    return torch.where(inside[:, None], colour.clamp(0, 1), x)


def soft(target: torch.Tensor, axis: torch.Tensor) -> torch.Tensor:
    """Gaussian targets (..., n) about `target` (...)."""
    g = torch.exp(-0.5 * ((axis - target[..., None]) / TARGET_CELLS) ** 2)
    return g / g.sum(-1, keepdim=True).clamp_min(1e-6)


def along(logits: torch.Tensor, target: torch.Tensor) -> torch.Tensor:
    """Mean cross entropy over the lines that have a target; logits (B, lines, n), target (B, lines)."""
    n = logits.shape[-1]
    ok = torch.isfinite(target) & (target > 0) & (target < n - 1)
    safe = torch.where(ok, target, torch.zeros_like(target))
    axis = torch.arange(n, device=logits.device).float()
    ce = -(soft(safe, axis) * F.log_softmax(logits.float(), -1)).sum(-1)
    return (ce * ok).sum() / ok.sum().clamp_min(1)


def told(teacher: torch.nn.Module, x: torch.Tensor) -> torch.Tensor:
    """The teacher's maps of pictures x (B, 4, h, w): the mean of those of x and of its mirror image."""
    with torch.no_grad(), torch.autocast(x.device.type, torch.bfloat16):
        maps, mirrored = teacher(x)[0].float(), teacher(x.flip(3))[0].float()
    return (maps + mirrored[:, MIRROR].flip(3)) / 2


def pooled(maps: torch.Tensor) -> torch.Tensor:
    """Maps (B, 10, h, w) as a network of half the resolution should say it: (B, 10, h / 2, w / 2)."""

    def halved(p: torch.Tensor, parts: int) -> torch.Tensor:
        return (F.avg_pool2d(p, 2) * parts).clamp_min(1e-9).log()

    marks = maps[:, :6].flatten(2).softmax(-1).reshape(maps[:, :6].shape)
    mask = F.avg_pool2d(maps[:, 9:].sigmoid(), 2).clamp(1e-4, 1 - 1e-4)
    lines = halved(maps[:, 6:8].softmax(2), 2), halved(maps[:, 8:9].softmax(3), 2)
    return torch.cat([halved(marks, 4), *lines, mask.logit()], 1)


def unlike(maps: torch.Tensor, wanted: torch.Tensor) -> torch.Tensor:
    """Mean Kullback-Leibler divergence of maps (B, 10, h, w) from the teacher's."""

    def apart(a: torch.Tensor, b: torch.Tensor) -> torch.Tensor:
        p, q = F.log_softmax(a, -1), F.log_softmax(b, -1)
        return (q.exp() * (q - p)).sum(-1).mean()

    mask = F.binary_cross_entropy_with_logits(maps[:, 9], wanted[:, 9].sigmoid())
    lines = apart(maps[:, 6:8].transpose(2, 3), wanted[:, 6:8].transpose(2, 3))
    lines = lines + 0.5 * apart(maps[:, 8:9], wanted[:, 8:9])
    return apart(maps[:, :6].flatten(2), wanted[:, :6].flatten(2)) + 2 * lines + mask


def _value_at(f: torch.Tensor, x: torch.Tensor) -> torch.Tensor:
    """Linear interpolation of f (B, n) at x (B, m); NaN outside and beside NaN."""
    n = f.shape[1]
    i = x.floor().clamp(0, n - 2).long()
    a = x - i
    value = f.gather(1, i) * (1 - a) + f.gather(1, i + 1) * a
    return torch.where((x >= 0) & (x <= n - 1), value, torch.full_like(value, torch.nan))


def _moved(f: torch.Tensor, m: torch.Tensor, t: torch.Tensor, swap: bool) -> torch.Tensor:
    """The function f (B, n) (y of x; x of y when `swap`) after points move by p' = m p + t."""
    if swap:
        m, t = m.flip(1).flip(2), t.flip(1)
    n = f.shape[1]
    at = torch.arange(n, device=f.device).float()[None].expand(len(f), n)
    fill = torch.nanmean(f, 1, keepdim=True).nan_to_num(0.0)
    y = fill.expand_as(f)
    x = at
    for _ in range(4):
        x = (at - t[:, 0, None] - m[:, 0, 1, None] * y) / m[:, 0, 0, None]
        y = torch.where(torch.isfinite(v := _value_at(f, x)), v, y)
    y = _value_at(f, x)
    return m[:, 1, 0, None] * x + m[:, 1, 1, None] * y + t[:, 1, None]


def _field_at(field: torch.Tensor, px: torch.Tensor) -> torch.Tensor:
    """A displacement field (B, 2, h, w) at pixels px (B, ..., 2): (B, ..., 2)."""
    h, w = field.shape[2:]
    flat = px.flatten(1, -2)[:, :, None]
    grid = (2 * flat + 1) / torch.tensor([w, h], device=px.device) - 1
    out = F.grid_sample(field, grid.nan_to_num(0.0), padding_mode="border", align_corners=False)
    return out[..., 0].transpose(1, 2).reshape(px.shape)


def _bent(f: torch.Tensor, field: torch.Tensor, swap: bool) -> torch.Tensor:
    """The function f (B, n) (y of x; x of y when `swap`) in a picture whose pixel p shows what was at p + field."""
    at = torch.arange(f.shape[1], device=f.device).float()[None].expand_as(f)
    y = torch.where(torch.isfinite(f), f, torch.nanmean(f, 1, keepdim=True).nan_to_num(0.0).expand_as(f))
    for _ in range(5):
        d = _field_at(field, torch.stack([y, at] if swap else [at, y], -1))
        dx, dy = (d[..., 1], d[..., 0]) if swap else (d[..., 0], d[..., 1])
        value = _value_at(f, at + dx) - dy
        y = torch.where(torch.isfinite(value), value, y)
    return value


def warped(batch: Batch, bend_px: float = 4.0) -> Batch:
    """A closure batch (float image (B, 4, h, w), targets in full pixels) a little bent, shifted, turned and stretched.

    It is bent by a smooth random field whose standard deviation is up to `bend_px`, different for every sample.
    """
    image = batch["image"]
    b, _, h, w = image.shape

    def r(low: float, high: float) -> torch.Tensor:
        return uniform(b, low, high, like=image)

    angle = r(-0.09, 0.09)
    sx, sy, shear = torch.exp(r(-0.05, 0.05)), torch.exp(r(-0.05, 0.05)), r(-0.05, 0.05)
    c, s = torch.cos(angle), torch.sin(angle)
    m = torch.stack([torch.stack([c * sx, -s * sy + shear], -1), torch.stack([s * sx, c * sy], -1)], 1)
    middle = torch.tensor([(w - 1) / 2, (h - 1) / 2], device=image.device)
    t = middle - (m @ middle[:, None])[..., 0] + torch.stack([r(-14, 14), r(-16, 16)], -1)
    inverse = torch.linalg.inv(m)
    back = -(inverse @ t[..., None])[..., 0]
    # the same map in grid_sample's coordinates, where -1..1 spans the pixel edges
    scale = torch.tensor([w / 2.0, h / 2.0], device=image.device)
    theta = inverse * scale[None, None, :] / scale[None, :, None]
    offset = ((inverse @ middle[:, None])[..., 0] + back - middle) / scale
    theta = torch.cat([theta, offset[..., None]], 2)
    knots = torch.randn(b, 2, 5, 4, device=image.device) * r(0.0, bend_px)[:, None, None, None]
    field = F.interpolate(knots, (h, w), mode="bicubic", align_corners=True)

    def grid(rows: int, columns: int) -> torch.Tensor:
        straight = F.affine_grid(theta, [b, 1, rows, columns], align_corners=False)
        there = F.grid_sample(field, straight, padding_mode="border", align_corners=False)
        return straight + there.permute(0, 2, 3, 1) / scale

    out = dict(batch)
    out["image"] = F.grid_sample(image, grid(h, w), align_corners=False)
    out["mask"] = F.grid_sample(batch["mask"][:, None], grid(h // 2, w // 2), align_corners=False)[:, 0]
    marks = batch["landmarks"]
    for _ in range(5):
        marks = batch["landmarks"] - _field_at(field, marks)
    out["landmarks"] = torch.einsum("bij,bkj->bki", m, marks) + t[:, None]
    out["rim"], out["hairline"] = (_moved(_bent(batch[k], field, False), m, t, False) for k in ("rim", "hairline"))
    out["centre"] = _moved(_bent(batch["centre"], field, True), m, t, True)
    return out


def closure_loss(
    net: torch.nn.Module, raw: Batch, teacher: torch.nn.Module | None = None, part: int = 1
) -> tuple[torch.Tensor, Parts]:
    """Loss of one batch of the ring's closure samples (uint8 images (B, h, w, 4), targets in unrolled pixels).

    The network sees them at 1 / `part` of their size, 1 or 2. With a teacher, which sees them whole, its maps are
    learned beside the truth.
    """
    batch = dict(raw)
    batch["image"] = raw["image"].permute(0, 3, 1, 2).float() / 255
    batch["mask"] = raw["mask"].float()
    if torch.rand(()) < 0.85:
        batch = warped(batch)
    colour, facing = batch["image"][:, :3], batch["image"][:, 3:]
    for change, share in ((tinted, 0.6), (lit, 0.6), (coarser, 0.2)):
        if torch.rand(()) < share:
            colour = change(colour)
    colour = blotted(recoloured(colour), 0.25, 110)
    colour = torch.where(facing > 0.03, colour, torch.full_like(colour, 0.5))
    x = torch.cat([colour, facing], 1)
    marks, rim, hair, centre, mask = (batch[k] for k in ("landmarks", "rim", "hairline", "centre", "mask"))
    if torch.rand(()) < 0.5:
        x = x.flip(3)
        marks = torch.stack([WIDTH - 1 - marks[..., 0], marks[..., 1]], -1)[:, [0, 1, 3, 2, 5, 4]]
        rim, hair, mask = rim.flip(1), hair.flip(1), mask.flip(2)
        centre = WIDTH - 1 - centre
    # cells of `side` pixels: full-resolution pixel p lies at cell (p + 0.5) / side - 0.5
    side = 2 * part
    marks, rim, hair, centre = ((t + 0.5) / side - 0.5 for t in (marks, rim, hair, centre))
    rim, hair, centre = (t.reshape(len(t), -1, side).mean(-1) for t in (rim, hair, centre))
    x = x.contiguous(memory_format=torch.channels_last)
    seen = x
    if part > 1:
        seen = F.avg_pool2d(x, part).contiguous(memory_format=torch.channels_last)
        mask = F.avg_pool2d(mask[:, None], part)[:, 0]
    with torch.autocast(x.device.type, torch.bfloat16):
        maps, said = net(seen)
    maps, said = maps.float(), said.float()
    size = torch.tensor([WIDTH // side - 1, HEIGHT // side - 1], device=x.device)
    ok = torch.isfinite(marks).all(-1) & (marks > 0).all(-1) & (marks < size).all(-1)
    logp = F.log_softmax(maps[:, :6].flatten(2), -1)
    safe = torch.where(ok[..., None], marks, torch.zeros_like(marks))
    rows = torch.arange(HEIGHT // side, device=x.device).float()
    cols = torch.arange(WIDTH // side, device=x.device).float()
    target = soft(safe[..., 1], rows)[..., :, None] * soft(safe[..., 0], cols)[..., None, :]
    ce = -(target.flatten(2) * logp).sum(-1)
    parts = {
        "marks": (ce * ok).sum() / ok.sum().clamp_min(1),
        "rim": along(maps[:, 6].transpose(1, 2), rim),
        "hair": along(maps[:, 7].transpose(1, 2), hair),
        "centre": along(maps[:, 8], centre),
        "mask": F.binary_cross_entropy_with_logits(maps[:, 9], mask.clamp(0, 1)),
        "flags": F.binary_cross_entropy_with_logits(said, raw["flags"]),
    }
    loss = sum(parts.values()) - 0.7 * parts["flags"]
    if teacher is not None:
        wanted = told(teacher, x)
        parts["teacher"] = unlike(maps, wanted if part == 1 else pooled(wanted))
        loss = loss + parts["teacher"]
    return loss, parts


def block_loss(
    net: torch.nn.Module, raw: Batch, teacher: torch.nn.Module | None = None, part: int = 1
) -> tuple[torch.Tensor, Parts]:
    """Loss of one batch of the ring's block samples: windows of any turn cut from the larger pictures.

    The network sees them at 1 / `part` of their size. With a teacher, the mean of what it says of them upright and
    upside down is learned beside the truth.
    """
    image = raw["image"].permute(0, 3, 1, 2).float() / 255
    b = len(image)
    angle = uniform(b, 0, 6.2832, like=image)
    size = BLOCK_SIZE if part == 1 else PLACE_SIZE
    zoom = size / BLOCK_DRAWN / uniform(b, 0.86, 1.16, like=image)
    mirror = torch.where(uniform(b, 0, 1, like=image) < 0.5, -1.0, 1.0)
    c, s = torch.cos(angle), torch.sin(angle)
    turn = torch.stack([torch.stack([c * mirror, -s], -1), torch.stack([s * mirror, c], -1)], 1)
    shift = uniform(b, -0.28, 0.28, 2, 1, like=image)
    theta = torch.cat([turn * zoom[:, None, None], shift], 2)
    fine = F.affine_grid(theta, [b, 1, size, size], align_corners=False)
    coarse = F.affine_grid(theta, [b, 1, size // 2, size // 2], align_corners=False)
    x = F.grid_sample(image, fine, align_corners=False, padding_mode="reflection")
    mask = F.grid_sample(raw["mask"].float()[:, None], coarse, align_corners=False, padding_mode="reflection")[:, 0]
    face = torch.einsum("bji,bj->bi", turn, raw["face"])
    x = blotted(recoloured(x), 0.25, 90)
    if part > 1:
        x, mask = F.avg_pool2d(x, part), F.avg_pool2d(mask[:, None], part)[:, 0]
    x = x.contiguous(memory_format=torch.channels_last)
    with torch.autocast(x.device.type, torch.bfloat16):
        maps, said = net(x)
    maps, said = maps.float(), said.float()
    near_edge = F.max_pool2d(mask[:, None], 13, 1, 6)[:, 0] + F.max_pool2d(-mask[:, None], 13, 1, 6)[:, 0] > 0.5
    l_mask = F.binary_cross_entropy_with_logits(maps[:, 0], mask.clamp(0, 1), weight=1.0 + 3.0 * near_edge)
    unit = F.normalize(maps[:, 1:3], dim=1, eps=1e-4)
    cosine = (unit * face[:, :, None, None]).sum(1)
    l_face = ((1 - cosine) * mask).sum() / mask.sum().clamp_min(1)
    present = (mask.mean((1, 2)) > 0.03).float()[:, None]
    l_flags = F.binary_cross_entropy_with_logits(said, present)
    loss, parts = 4 * l_mask + l_face + 0.1 * l_flags, {"mask": l_mask, "face": l_face, "flags": l_flags}
    if teacher is not None:
        with torch.no_grad(), torch.autocast(x.device.type, torch.bfloat16):
            there, turned = teacher(x)[0].float(), teacher(x.flip(2).flip(3))[0].float().flip(2).flip(3)
        silhouette = (there[:, 0].sigmoid() + turned[:, 0].sigmoid()) / 2
        way = (F.normalize(there[:, 1:3], dim=1, eps=1e-4) - F.normalize(turned[:, 1:3], dim=1, eps=1e-4)) / 2
        apart = ((unit - way) ** 2).sum(1)
        parts["teacher"] = 4 * F.binary_cross_entropy_with_logits(maps[:, 0], silhouette) + (apart * mask).mean()
        loss = loss + parts["teacher"]
    return loss, parts
