"""How to shoot a stepped stack that tells what a lens is like."""

from __future__ import annotations

#: What `calibrate-lens --how` prints.
LENS_HOW = """\
How to shoot a stepped stack to measure a lens from

Subject   Something flat with fine detail all over that fills the picture, corners as well: fine
          sandpaper, a grained card or print (its dots must be finer than what the lens shows).
          Under glass or taped to a plate, so that it is flat to a tenth of the depth of field.
Square    As square to the camera as you can: a mirror laid in its place shows the lens in the
          middle of the finder. A little slope is measured and taken off.
Support   The camera on a rail, or the subject on one, with a scale: one equal step a frame. Not by
          the focus ring, which changes the magnification. Nothing may shake: self-timer or remote.
Steps     A fifth to a half of the depth of field, and 20 to 30 of them: from where the finest
          detail is gone, through the focus, to where it is gone again. All frames of one folder in
          order of their names.
Camera    The aperture to measure, manual exposure, steady light, base ISO, no sharpening, no
          noise reduction. Nothing burnt out. Full size: small pictures hide what diffraction does.
Known     The size of a pixel of the frames on the sensor (--pitch), and one of these:
            --step: then the magnification and the pitch on the subject are measured;
            --magnification: then the step is measured.
          Photograph a ruler for the magnification; read the rail for the step. With both, even
          coarse pixels tell the f-number. From frames.json both pitch and step are taken.
          The f-number rests on the wavelengths of the rig: 1 % of them is 1 % of it.

A moving camera shows the magnification, the working f-number and the distance of the entrance
pupil. How those are made of focal length, marked f-number and pupil ratio it does not show: give
--focal-length or --pupil-ratio, or leave it; no picture of a rail changes by it."""
