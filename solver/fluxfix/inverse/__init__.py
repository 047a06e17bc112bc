"""From readings to fixes: starts, least squares, covariance, integrity."""
