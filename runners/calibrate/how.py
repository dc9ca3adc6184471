"""How to shoot a burst that tells what hands and flash are like."""

from __future__ import annotations

#: What `calibrate --how` prints.
HOW = """\
How to shoot a burst to calibrate from

Subject   Something flat with fine detail all over that fills the picture: printed paper, coarse
          cloth, sandpaper. Fix it so that it cannot move. Nothing alive.
Camera    The magnification, f-number and flash of your field pictures. Manual exposure, manual
          focus, no automatic ISO. JPEG is enough.
Stance    As in the field: stand, kneel or lie as you do, with the same grip.
Move      Lean in: start with the focus a little before the paper, and lean slowly through it at
          your usual pace; go on until it is behind. That tells your pace and your sway toward the
          subject. Do not hold still, except to learn the sway alone: then say so, by a stance
          whose approach has a low speed_mm_per_s. On a support, make your usual steps and take
          one frame at each (--stance stepped).
Burst     40 frames or more, 5 seconds or longer, at the rate of your field bursts. One burst a
          folder; leave no frame out, not even a dark one: it tells of the flash.
Again     Three bursts tell more than one: hands differ from try to try.
Times     Cameras write the time of each frame into the file, some to the second alone. Then the
          rate is known within bounds only, and longer bursts tell it better; or give it yourself:
          --fps 8, or --fps 7-9 where you are not sure.

Where a pass starts and stops is not told by such a burst: start_error_mm, stop_error_mm and
reaction_s are kept from the stance that you start from.

Mind your footing before you look through the finder, and keep a full-power flash away from eyes."""
