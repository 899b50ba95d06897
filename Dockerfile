# One image for every process; docker-compose.yml says which one a container runs.
FROM python:3.12-slim

ENV PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1 PIP_NO_CACHE_DIR=1 PIP_DISABLE_PIP_VERSION_CHECK=1
WORKDIR /srv/spa-ops

# The lock first: the layer of packages stays as long as it does.
COPY requirements.lock ./
RUN pip install --require-hashes --no-deps -r requirements.lock

# Fixed numbers, so that a volume's owner is known outside too. No shell, no home.
RUN groupadd --system --gid 10001 spa && useradd --system --uid 10001 --gid spa --no-create-home --shell /usr/sbin/nologin spa

COPY manage.py pyproject.toml ./
COPY spa_ops ./spa_ops
COPY clients ./clients
COPY services ./services
COPY rooms ./rooms
COPY compliance ./compliance

USER spa
EXPOSE 8080
# Production is the default: without its secrets in the environment the program refuses to start.
CMD ["python", "-m", "gunicorn", "spa_ops.wsgi:application", "--bind", "0.0.0.0:8080", "--workers", "3", "--no-control-socket", "--worker-tmp-dir", "/dev/shm"]
