"""Makes realistic streams of counts, as sensors would send them."""
