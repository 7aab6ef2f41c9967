"""What a look over a recording found and nothing hides: a person has to decide on it."""

from __future__ import annotations

from collections.abc import Sequence

from vidseg.model.mask import Mask
from vidseg.model.screening import Overlay, UnlikeView
from vidseg.model.span import Spans


def overlays_left(
    overlays: Sequence[Overlay], masks: Sequence[Mask], hidden: Spans
) -> tuple[Overlay, ...]:
    """Give the overlays that show somewhere outside ``hidden`` (cut or black, ns) unmasked.

    A mask hides an overlay whose rectangle lies wholly in it, for as long as the mask is there.
    """
    return tuple(
        overlay
        for overlay in overlays
        if Spans([overlay.span])
        - hidden
        - Spans(mask.span or overlay.span for mask in masks if _covers(mask, overlay))
    )


def views_left(views: Sequence[UnlikeView], hidden: Spans) -> tuple[UnlikeView, ...]:
    """Give the views that are not wholly in ``hidden`` (cut or black, ns)."""
    return tuple(view for view in views if Spans([view.span]) - hidden)


def mask_of(overlay: Overlay) -> Mask:
    """Give the mask that hides an overlay for as long as it was seen."""
    return Mask(overlay.x, overlay.y, overlay.width, overlay.height, overlay.span)


def _covers(mask: Mask, overlay: Overlay) -> bool:
    return (
        mask.x <= overlay.x
        and mask.y <= overlay.y
        and mask.x + mask.width >= overlay.x + overlay.width
        and mask.y + mask.height >= overlay.y + overlay.height
    )
