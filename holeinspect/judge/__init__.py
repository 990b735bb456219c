"""What a photo is worth, told before its figures are: sharpness, light, view, scale and camera, each with a figure and advice."""
