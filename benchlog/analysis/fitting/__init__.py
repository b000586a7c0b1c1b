"""Laws of temperature and of ageing, fitted with honest intervals."""
