// A device made of node-wot, which none of us wrote. Its description, its HTTP server and its MQTT
// side are node-wot's; only what it does when it is told its settings stands here.
//
// Its wiring comes as one line of JSON on standard input; what happens to it goes to standard
// output, a line of JSON each. It ends when standard input does.
import { createRequire } from "node:module";
import { readFileSync, writeFileSync } from "node:fs";
import readline from "node:readline";

const require = createRequire(import.meta.url);
const { Servient } = require("@node-wot/core");
const { HttpServer } = require("@node-wot/binding-http");
const { MqttBrokerServer } = require("@node-wot/binding-mqtt");

const TERMS = "https://net.example/terms#";
const tell = (what, more = {}) => console.log(JSON.stringify({ what, ...more }));

const text = (type) => ({ type: "string", ...(type ? { "@type": type } : {}) });
const settings = () => ({
  type: "object",
  properties: {
    ssid: text("net:WifiSsid"),
    key: text("net:WifiSecret"),
    host: text("net:BrokerHost"),
    port: { type: "integer", "@type": "net:BrokerPort" },
    user: text("net:BrokerUsername"),
    word: text("net:BrokerPassword"),
  },
});

function description(said) {
  const open = settings().properties;
  delete open.key;
  delete open.word;
  return {
    "@context": ["https://www.w3.org/2019/wot/td/v1", "https://www.w3.org/2022/wot/td/v1.1", { net: TERMS }],
    title: said.title,
    id: `urn:uuid:${said.title}`,
    securityDefinitions: { login: { scheme: said.scheme } },
    security: ["login"],
    properties: {
      state: {
        "@type": "net:State",
        type: "object",
        readOnly: true,
        observable: true,
        properties: {
          mac: text("net:Mac"),
          firmware: text("net:Firmware"),
          address: text("net:Address"),
          uptime: { type: "number", "@type": "net:Uptime" },
          ...open,
        },
      },
    },
    actions: {
      change: {
        "@type": "net:Settings",
        input: settings(),
        output: { type: "object", properties: { taken: { type: "boolean", "@type": "net:Taken" } } },
      },
      report: { "@type": "net:Tell" },
    },
    events: { changed: { "@type": "net:Answer", data: { type: "object" } } },
  };
}

const lines = readline.createInterface({ input: process.stdin })[Symbol.asyncIterator]();
const said = JSON.parse((await lines.next()).value);
let stored = { ...said.settings };
let began = Date.now();

// Joins whatever network lets it in, as a lease from that network's DHCP server would have it.
function join() {
  const network = said.networks.find((one) => one.ssid === stored.ssid && one.key === stored.key);
  if (!network) return null;
  const lease = `${Math.floor(Date.now() / 1000) + 3600} ${said.mac} ${network.address} ${said.title} *\n`;
  const others = readFileSync(network.leases, "utf8")
    .split("\n")
    .filter((line) => line && line.split(" ")[1] !== said.mac)
    .map((line) => line + "\n");
  writeFileSync(network.leases, others.join("") + lease);
  return network;
}

async function live() {
  began = Date.now();
  const network = join();
  if (!network) {
    tell("nowhere");
    return () => {};
  }
  const servient = new Servient();
  const options = {
    port: said.port,
    address: network.address,
    baseUri: `http://${network.address}:${said.port}`,
    security: [{ scheme: said.scheme }],
  };
  if (said.scheme === "bearer") {
    // node-wot 0.8.16 names this scheme and does not check it: the check stands in front of it.
    options.security = [{ scheme: "nosec" }];
    options.middleware = (request, response, next) => {
      if (request.headers.authorization === `Bearer ${said.token}`) return next();
      response.writeHead(401, { "WWW-Authenticate": "Bearer" });
      response.end();
    };
  }
  const http = new HttpServer(options);
  servient.addServer(http);
  let mqtt = null;
  if (stored.host && said.mqtt) {
    mqtt = new MqttBrokerServer({
      uri: `mqtt://${stored.host}:${stored.port}`,
      username: stored.user,
      password: stored.word,
      connectTimeout: 3000,
    });
    servient.addServer(mqtt);
  }
  if (said.scheme === "basic") {
    servient.addCredentials({ [`urn:uuid:${said.title}`]: { username: "owner", password: said.token } });
  }
  let WoT;
  try {
    WoT = await servient.start();
  } catch (error) {
    tell("no broker");
    await http.stop().catch(() => {});
    return () => {};
  }
  const described = description(said);
  const thing = await WoT.produce({
    ...described,
    ...(said.scheme === "bearer"
      ? { securityDefinitions: { login: { scheme: "nosec" } } }
      : {}),
  });
  const state = () => ({
    mac: said.mac,
    firmware: "1.0.0",
    address: network.address,
    uptime: (Date.now() - began) / 1000,
    ssid: stored.ssid,
    host: stored.host,
    port: stored.port,
    user: stored.user,
  });
  thing.setPropertyReadHandler("state", async () => state());
  thing.setActionHandler("report", async () => {
    await thing.emitPropertyChange("state");
    return undefined;
  });
  thing.setActionHandler("change", async (input) => {
    stored = { ...stored, ...(await input.value()) };
    tell("changed", { settings: { ...stored, key: "", word: "" } });
    thing.emitEvent("changed", { taken: true });
    setTimeout(restart, 200);
    return { taken: true };
  });
  await thing.expose();
  const td = thing.getThingDescription();
  if (said.scheme === "bearer") td.securityDefinitions = described.securityDefinitions;
  writeFileSync(said.td, JSON.stringify(td, null, 2));
  tell("up", { network: network.name, address: network.address });
  return async () => {
    http.getServer().closeAllConnections();
    await servient.shutdown().catch(() => {});
  };
}

let leave = await live();

async function restart() {
  tell("restarting");
  await leave();
  setTimeout(async () => {
    leave = await live();
  }, 300);
}

await lines.next();
process.exit(0);
