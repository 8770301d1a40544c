# The agent as an image: one static binary and nothing else.
#
#   docker build --build-arg REVISION=$(git rev-parse HEAD) -t arcdrift .
#   docker buildx build --platform linux/amd64,linux/arm64,linux/arm/v7 -t arcdrift .
#   docker run --network host -v arcdrift:/data arcdrift
#
# It listens on loopback, so with the host's network its pages are at
# http://127.0.0.1:8470/ on that host. Its file system is put together and tried
# as a root directory by agent/rootfs_linux_test.go; that an image is built from
# it is not proven where no container engine runs. The base is pinned by version; who
# publishes images adds its digest.
FROM --platform=$BUILDPLATFORM golang:1.26.8-bookworm AS build
ARG TARGETOS TARGETARCH TARGETVARIANT
ARG REVISION
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
RUN [ -z "$REVISION" ] || echo "$REVISION" >agent/version/revision.txt
RUN GOOS=$TARGETOS GOARCH=$TARGETARCH GOARM=${TARGETVARIANT#v} CGO_ENABLED=0 go build -tags=nethttpomithttp2 -trimpath -ldflags='-s -w' -o /out/arcdrift ./cmd/arcdrift && mkdir -m 0700 /out/data /out/tmp

FROM scratch
ARG REVISION
LABEL org.opencontainers.image.title="arcdrift" org.opencontainers.image.description="Keeps a fleet of fusion splicing machines calibrated" org.opencontainers.image.version="0.1.0" org.opencontainers.image.revision="$REVISION"
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
