# The program alone, static, run by a user that owns nothing.
FROM golang:1.26-bookworm AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
RUN CGO_ENABLED=0 go build -trimpath -ldflags="-s -w" -o /leveltrail ./cmd/leveltrail

FROM debian:bookworm-slim
RUN apt-get update \
 && apt-get install --yes --no-install-recommends ca-certificates curl \
 && rm -rf /var/lib/apt/lists/* \
 && useradd --system --uid 10001 --no-create-home --shell /usr/sbin/nologin leveltrail
COPY --from=build /leveltrail /usr/local/bin/leveltrail
USER 10001
ENV LEVELTRAIL_LISTEN=0.0.0.0:8080
EXPOSE 8080
HEALTHCHECK --interval=10s --timeout=3s --start-period=20s \
  CMD ["curl", "--fail", "--silent", "--show-error", "--max-time", "2", "http://127.0.0.1:8080/readyz"]
ENTRYPOINT ["leveltrail"]
CMD ["serve"]
