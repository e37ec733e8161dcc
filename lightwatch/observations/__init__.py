"""What people, crews and gauges saw, raw and dated: in, out, and known by a day."""
