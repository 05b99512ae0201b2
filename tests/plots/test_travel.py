from helpers.made_travel_result import made_travel_result


def test_three_curves_with_their_limits():
    figure = made_travel_result(outward_known=False).plot()
    assert [panel.get_ylabel() for panel in figure.axes] == ["force factor, T·m", "compliance, mm/N", "inductance, mH"]
    marked = [[text.get_text() for text in panel.texts] for panel in figure.axes]
    assert marked[0] == ["Bl82", "Bl70", "Bl82"]
    assert marked[1] == ["C75", "C75"]
    assert marked[2] == ["L10", "L10"]
    assert "one way is positive" in figure.axes[-1].get_xlabel()
