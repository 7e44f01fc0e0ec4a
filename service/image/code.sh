#!/bin/sh
# In the folder that holds the code and .venv: compiled as root, because what runs cannot write beside the code, and the
# command `bayledger`.
set -eu
.venv/bin/python -m compileall -q service migrations seed
cat > .venv/bin/bayledger <<END
#!/bin/sh
PYTHONPATH="$PWD" exec "$PWD/.venv/bin/python" -m service "\$@"
END
chmod 755 .venv/bin/bayledger
