"""A review of one's own burst: what it holds, what it misses, which frames to keep."""

from .by_frame import FrameReview
from .review import Review, ReviewError, review_burst

__all__ = ["FrameReview", "Review", "ReviewError", "review_burst"]
