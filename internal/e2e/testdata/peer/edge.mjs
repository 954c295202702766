// An edge node that shares no line with this project: npm's sparkplug-payload and mqtt. It is agent quay-1 of harrow-quay with
// one pot, alder, read ten times a second.
//   node edge.mjs mqtt://host:port
// It writes a line for each command it gets ("rebirth", "echo") and for each thing it has done. On its input: "vessel PA" sets
// what the vessel's gauge shows, "gap" leaves a number out, "die" and "return" are the pot's death and birth, "stranger" speaks
// once by a number that was never born, "cut" breaks the connection and comes back, "end" says good-bye.
import { createInterface } from "node:readline";
import mqtt from "mqtt";
import sparkplug from "sparkplug-payload";

const codec = sparkplug.get("spBv1.0");
const group = "harrow-quay", node = "quay-1", device = "alder";
const topic = (kind, dev) => `spBv1.0/${group}/${kind}/${node}${dev ? "/" + dev : ""}`;
const say = (text) => process.stdout.write(text + "\n");
const session = "peer-" + process.pid;

let bdSeq = -1, seq = 0, client, born = false, alive = false, vessel = 1000, timer;
const alias = { "Clock/Echo": 1, "Clock/Echo At": 2, "Pressure/Vessel": 11, "Pressure/Control": 12, "Guard/State": 13 };
const types = { "Clock/Echo": "UInt64", "Clock/Echo At": "UInt64", "Pressure/Vessel": "Float", "Pressure/Control": "Float", "Guard/State": "String" };

function send(kind, dev, metrics, qos = 0) {
  const payload = { timestamp: Date.now(), metrics };
  if (kind !== "NDEATH") {
    seq = kind === "NBIRTH" ? 0 : (seq + 1) % 256;
    payload.seq = seq;
  }
  return new Promise((done) => client.publish(topic(kind, dev), Buffer.from(codec.encodePayload(payload)), { qos, retain: false }, done));
}

const metric = (name, type, value, more) => ({ name, type, value, timestamp: Date.now(), ...more });
const known = (name, value, more) => metric(name, types[name], value, { alias: alias[name], ...more });
// Data: the number in the name's place.
const data = (name, value) => ({ alias: alias[name], type: types[name], value, timestamp: Date.now() });

function deviceBirth() {
  const unit = { properties: { engUnit: { type: "String", value: "Pa" } } };
  alive = true;
  return send("DBIRTH", device, [known("Pressure/Vessel", vessel, unit), known("Pressure/Control", 0, unit), known("Guard/State", "not-proven"),
    metric("Config/Digest", "String", "vent/1:of-another-hand"), metric("Source/Simulated", "Boolean", true)]);
}

function births() {
  born = true;
  send("NBIRTH", "", [metric("bdSeq", "Int64", bdSeq), metric("Node Control/Rebirth", "Boolean", false), metric("Node Control/Echo", "UInt64", null),
    metric("Session/Id", "String", session), metric("Clock/Epoch", "UInt64", 1), known("Clock/Echo", null), known("Clock/Echo At", null)]);
  deviceBirth();
  say("born " + bdSeq);
}

function connect() {
  bdSeq = (bdSeq + 1) % 256;
  const will = { timestamp: Date.now(), metrics: [metric("bdSeq", "Int64", bdSeq)] };
  client = mqtt.connect(process.argv[2], { protocolVersion: 4, clean: true, reconnectPeriod: 0, clientId: "peer", resubscribe: false,
    will: { topic: topic("NDEATH"), payload: Buffer.from(codec.encodePayload(will)), qos: 1, retain: false } });
  client.on("message", (_, payload) => {
    for (const m of codec.decodePayload(payload).metrics) {
      if (m.name === "Node Control/Rebirth" && m.value === true) {
        say("rebirth");
        births();
      } else if (m.name === "Node Control/Echo") {
        say("echo");
        send("NDATA", "", [data("Clock/Echo", m.value), data("Clock/Echo At", Date.now() * 1000)]);
      }
    }
  });
  client.on("connect", () => client.subscribe(topic("NCMD"), { qos: 1 }, births));
  client.on("error", (e) => { say("error " + e.message); process.exit(1); });
}

createInterface({ input: process.stdin }).on("line", async (line) => {
  const [word, value] = line.split(" ");
  switch (word) {
    case "vessel": vessel = Number(value); break;
    case "gap": seq = (seq + 1) % 256; break;
    case "die": alive = false; await send("DDEATH", device, []); break;
    case "return": deviceBirth(); break;
    case "stranger": await send("DDATA", device, [{ alias: 999, type: "Float", value: 5e5, timestamp: Date.now() }]); break;
    case "cut": born = false; client.stream.destroy(); setTimeout(connect, 500); break;
    case "end":
      clearInterval(timer);
      await send("NDEATH", "", [metric("bdSeq", "Int64", bdSeq)], 1);
      client.end(false, {}, () => process.exit(0));
      break;
  }
  say("did " + line);
});

timer = setInterval(() => {
  if (born && alive) send("DDATA", device, [data("Pressure/Vessel", vessel), data("Pressure/Control", 0), data("Guard/State", "not-proven")]);
}, 100);
connect();
