"""Contrast of two colours as WCAG 2.x reckons it (from memory), from 1 to 21; 4.5 is what small text needs."""


def luminance(colour):
    """Relative luminance of "#rrggbb" or "#rgb"."""
    digits = colour.lstrip("#")
    digits = "".join(2 * each for each in digits) if len(digits) == 3 else digits
    parts = [int(digits[k : k + 2], 16) / 255.0 for k in (0, 2, 4)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    """Ratio of their luminances, each with the glare of 0.05."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)
