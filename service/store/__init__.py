"""SQL, one function per question; the connection is the first argument, lent from outside."""
