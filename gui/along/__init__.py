"""What runs along the road: plots against the station, and the road laid out straight.

Both views share one axis of stations, its keys and the part of the road on show (`road_axis`).
"""
