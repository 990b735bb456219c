"""From the photo and its scale to the parts' contours: backdrop model, part mask, contours, and where no edge is seen."""

from holeinspect.find.contours import Contour
from holeinspect.find.parts import FoundPart, find_parts
from holeinspect.find.printed import Region

__all__ = ["Contour", "FoundPart", "Region", "find_parts"]
