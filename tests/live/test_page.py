"""The page is whole by itself, and names are text."""

from tsfit.live.page import page_of, style

HOSTILE = "<script>alert(1)</script> \"'&\u202e"


def test_hostile_names_are_text():
    page = page_of([HOSTILE, "B"], '{"drivers": ["</script><script>"]}')
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "\u202e" not in page
    assert page.count("</script>") == 2


def test_nothing_comes_from_outside():
    assert "http" not in page_of(["A"], "{}")
    assert "@import" not in style()
    assert "--line-1" in style()
