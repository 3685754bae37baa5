# Builds the release from the sources and runs it without them, as a user without rights.
FROM node:24-slim AS build
WORKDIR /src
COPY package.json package-lock.json ./
RUN npm ci --no-audit --no-fund
COPY . .
RUN npm run build && npm prune --omit=dev --no-audit --no-fund

FROM node:24-slim
ENV NODE_ENV=production
WORKDIR /opt/mouldtend
COPY --from=build /src/package.json /src/LICENSE /src/README.md /src/CHANGELOG.md ./
COPY --from=build /src/node_modules node_modules
COPY --from=build /src/dist dist
COPY --from=build /src/bin bin
COPY --from=build /src/docs docs
# A volume takes over the owner of the folder that it is laid upon.
RUN install -d -o node -g node -m 0700 /var/lib/mouldtend
USER node
VOLUME /var/lib/mouldtend
# Inside a container loopback is the container's own: to be reachable, the site file has to say `http: { host: 0.0.0.0 }`.
EXPOSE 8466
HEALTHCHECK --interval=30s --timeout=5s --start-period=20s --retries=3 \
  CMD ["node", "-e", "fetch('http://127.0.0.1:8466/healthz').then((r) => process.exit(r.ok ? 0 : 1), () => process.exit(1))"]
STOPSIGNAL SIGTERM
ENTRYPOINT ["node", "bin/mouldtend.js"]
CMD ["run", "/etc/mouldtend/site.yaml"]
