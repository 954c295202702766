// Reads with npm's sparkplug-payload what others publish, and writes a line of JSON for each payload.
//   node listen.mjs mqtt://host:port
import mqtt from "mqtt";
import sparkplug from "sparkplug-payload";

const codec = sparkplug.get("spBv1.0");
const number = (v) => (v && typeof v === "object" && "low" in v ? Number((BigInt(v.high >>> 0) << 32n) | BigInt(v.low >>> 0)) : v);
const client = mqtt.connect(process.argv[2], { protocolVersion: 4, clean: true, reconnectPeriod: 0, clientId: "listener" });
client.on("message", (topic, bytes, packet) => {
  if (topic.startsWith("spBv1.0/STATE/")) return;
  const p = codec.decodePayload(bytes);
  const metrics = p.metrics.map((m) => ({ name: m.name ?? "", alias: number(m.alias), type: m.type, value: number(m.value), time: number(m.timestamp),
    historical: m.isHistorical ?? false, quality: m.properties?.Quality?.value, unit: m.properties?.engUnit?.value }));
  process.stdout.write(JSON.stringify({ topic, qos: packet.qos, time: number(p.timestamp), seq: number(p.seq), metrics }) + "\n");
});
client.on("connect", () => client.subscribe("spBv1.0/#", { qos: 2 }, () => process.stdout.write("listening\n")));
