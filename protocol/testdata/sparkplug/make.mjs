// Freezes vectors of an independent implementation of the payload, npm's sparkplug-payload 1.0.3 (protobufjs):
//   npm install --no-save sparkplug-payload@1.0.3 && node make.mjs
// peer.json holds payloads that it wrote; ours.json what it read from our golden bytes in ours.hex.
import { readFileSync, writeFileSync } from "node:fs";
import sparkplug from "sparkplug-payload";

const codec = sparkplug.get("spBv1.0");
const hex = (b) => Buffer.from(b).toString("hex");
const t = 1760000000123;
const good = { engUnit: { type: "String", value: "Pa" } };
const bad = (code) => ({ engUnit: { type: "String", value: "Pa" }, Quality: { type: "Int32", value: code } });
const peer = {
  "nbirth": { timestamp: t, seq: 0, metrics: [
    { name: "bdSeq", type: "Int64", value: 7, timestamp: t },
    { name: "Node Control/Rebirth", type: "Boolean", value: false, timestamp: t },
    { name: "Clock/Epoch", type: "UInt64", value: 1760000000123456, timestamp: t },
    { name: "Session/Id", type: "String", value: "00ff", timestamp: t } ] },
  "dbirth": { timestamp: t + 1, seq: 1, metrics: [
    { name: "Pressure/Vessel", type: "Float", value: 689475.75, timestamp: t, properties: good },
    { name: "Pressure/Hose", type: "Float", value: -3.5, timestamp: t, properties: bad(0) },
    { name: "Pressure/Supply", type: "Float", value: null, timestamp: t + 1, properties: bad(500) },
    { name: "Control/Pressed", type: "Boolean", value: true, timestamp: t } ] },
  "ddata-historical": { timestamp: t + 5000, seq: 255, metrics: [
    { name: "Pressure/Vessel", type: "Float", value: 0, timestamp: t, isHistorical: true },
    { name: "Pressure/Vessel", type: "Float", value: 1.25, timestamp: t + 100, isHistorical: true } ] },
  "dbirth-alias": { timestamp: t, seq: 2, metrics: [
    { name: "Pressure/Vessel", alias: 3, type: "Float", value: 1000, timestamp: t, properties: good },
    { name: "Guard/State", alias: 0, type: "String", value: "not-proven", timestamp: t } ] },
  "ddata-alias": { timestamp: t + 500, seq: 3, metrics: [
    { alias: 3, type: "Float", value: 2000.5, timestamp: t + 400 },
    { alias: 0, type: "String", value: "pressurised", timestamp: t + 500 } ] },
  "ndeath": { metrics: [{ name: "bdSeq", type: "Int64", value: 255, timestamp: t }] },
  "ncmd": { timestamp: t, metrics: [{ name: "Node Control/Echo", type: "UInt64", value: 42 }] },
  "skipped": { timestamp: t, seq: 3, metrics: [
    { name: "table", type: "DataSet", timestamp: t, value: { numOfColumns: 1, types: ["Int32"], columns: ["a"], rows: [[1], [2]] } },
    { name: "bytes", type: "Bytes", timestamp: t, value: new Uint8Array([1, 2, 3]) },
    { name: "double", type: "Double", timestamp: t, value: 0.1 },
    { name: "int", type: "Int32", timestamp: t, value: 12 } ] },
};
writeFileSync("peer.json", JSON.stringify(Object.fromEntries(
  Object.entries(peer).map(([k, p]) => [k, hex(codec.encodePayload(p))])), null, 1) + "\n");
const plain = (_, v) => (v && typeof v === "object" && "low" in v && "high" in v
  ? Number((BigInt(v.high >>> 0) << 32n) | BigInt(v.low >>> 0)) : v);
const ours = Object.fromEntries(readFileSync("ours.hex", "utf8").trim().split("\n").map((l) => l.split(" "))
  .map(([k, h]) => [k, codec.decodePayload(Buffer.from(h, "hex"))]));
writeFileSync("ours.json", JSON.stringify(ours, plain, 1) + "\n");
