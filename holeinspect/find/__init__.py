"""From the photo and its scale to the parts' contours, their openings, and where no edge is seen."""

from holeinspect.find.contours import Contour
from holeinspect.find.dark import DarkOpening, find_dark_openings
from holeinspect.find.parts import FoundPart, find_parts
from holeinspect.find.printed import Region

__all__ = ["Contour", "DarkOpening", "FoundPart", "Region", "find_dark_openings", "find_parts"]
