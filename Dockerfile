# The agent as an image: one static binary and nothing else.
#
#   docker build -t arcdrift .
#   docker run --network host -v arcdrift:/data arcdrift
#
# It listens on loopback, so with the host's network its pages are at
# http://127.0.0.1:8470/ on that host. Its file system is put together and tried
# as a root directory by agent/rootfs_linux_test.go; that an image is built from
# it is not proven where no container engine runs.
FROM golang:1.26 AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
RUN CGO_ENABLED=0 go build -tags=nethttpomithttp2 -trimpath -ldflags='-s -w' -o /out/arcdrift ./cmd/arcdrift && mkdir -m 0700 /out/data /out/tmp

FROM scratch
COPY --from=build /out/arcdrift /arcdrift
COPY --from=build --chown=65532:65532 /out/data /data
COPY --from=build --chown=65532:65532 /out/tmp /tmp
COPY --from=build /etc/ssl/certs/ca-certificates.crt /etc/ssl/certs/
COPY --from=build /usr/local/go/lib/time/zoneinfo.zip /
USER 65532:65532
VOLUME /data
ENV ARCDRIFT_DB=/data/arcdrift.db ZONEINFO=/zoneinfo.zip
HEALTHCHECK --interval=30s --timeout=5s CMD ["/arcdrift", "healthcheck"]
ENTRYPOINT ["/arcdrift"]
CMD ["serve"]
