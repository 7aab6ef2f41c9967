"""Can a recording's clock be trusted: findings, and which of them are explained."""
