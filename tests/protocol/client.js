// A client of the board written from protocol/SPEC.md and its tables in protocol.json alone.
//
//   node client.js vectors FOLDER         frames of FOLDER/vectors.json, both ways
//   node client.js conversations FOLDER   every conversation of FOLDER/conversations.json, as its client
//   node client.js pull PORT FOLDER OUT   fetch, acknowledge and keep in OUT all runs of the board on PORT
//
// Prints one line a difference and exits 1 if there is any.
"use strict";
const fs = require("fs");
const path = require("path");
const crypto = require("crypto");

// --- CRC-32/ISO-HDLC, COBS, frames ---

const CRC_TABLE = Array.from({ length: 256 }, (_, n) => {
  for (let k = 0; k < 8; k++) n = n & 1 ? (n >>> 1) ^ 0xedb88320 : n >>> 1;
  return n >>> 0;
});
function crc32(data) {
  let crc = 0xffffffff;
  for (const byte of data) crc = CRC_TABLE[(crc ^ byte) & 255] ^ (crc >>> 8);
  return (crc ^ 0xffffffff) >>> 0;
}

function stuff(body) {
  let [out, block, open] = [[], [], true]; // a block of 254 bytes at the end needs no empty one after it
  for (const byte of body) {
    open = true;
    if (byte === 0) {
      out.push(block.length + 1, ...block);
      block = [];
    } else {
      block.push(byte);
      if (block.length === 254) {
        out.push(255, ...block);
        block = [];
        open = false;
      }
    }
  }
  if (open) out.push(block.length + 1, ...block);
  return Buffer.from(out);
}

function unstuff(wire) {
  const out = [];
  for (let at = 0; at < wire.length; ) {
    const code = wire[at];
    if (code === 0 || at + code > wire.length) return null;
    for (let i = at + 1; i < at + code; i++) {
      if (wire[i] === 0) return null;
      out.push(wire[i]);
    }
    at += code;
    if (code < 255 && at < wire.length) out.push(0);
  }
  return Buffer.from(out);
}

function frame(type, sequence, payload) {
  const head = Buffer.from([type, sequence & 255, sequence >> 8]);
  const data = Buffer.concat([head, payload]);
  const crc = Buffer.alloc(4);
  crc.writeUInt32LE(crc32(data));
  return Buffer.concat([stuff(Buffer.concat([data, crc])), Buffer.from([0])]);
}

function openFrame(chunk, limits) {
  if (chunk.length >= limits.max_wire) return null;
  const body = unstuff(chunk);
  if (!body || body.length < 7 || body.length > limits.max_body) return null;
  const data = body.subarray(0, body.length - 4);
  if (crc32(data) !== body.readUInt32LE(body.length - 4)) return null;
  return { type: data[0], sequence: data.readUInt16LE(1), payload: data.subarray(3) };
}

// --- messages, from the tables ---

const SIZES = { B: 1, b: 1, H: 2, h: 2, I: 4, i: 4 };
const sizeOf = (code) => SIZES[code] || parseInt(code, 10);
const widthOf = (fields) => fields.reduce((sum, f) => sum + sizeOf(f.code), 0);

function putFields(fields, values) {
  const out = Buffer.alloc(widthOf(fields));
  let at = 0;
  fields.forEach((f, n) => {
    const size = sizeOf(f.code);
    if (f.code.endsWith("s")) Buffer.from(values[n], "hex").copy(out, at, 0, size);
    else if (f.code >= "a") out.writeIntLE(values[n], at, size);
    else out.writeUIntLE(values[n], at, size);
    at += size;
  });
  return out;
}

function takeFields(fields, payload, at) {
  return fields.map((f) => {
    const size = sizeOf(f.code);
    const from = at;
    at += size;
    if (f.code.endsWith("s")) return payload.toString("hex", from, at);
    return f.code >= "a" ? payload.readIntLE(from, size) : payload.readUIntLE(from, size);
  });
}

class Tables {
  constructor(folder) {
    const whole = JSON.parse(fs.readFileSync(path.join(folder, "protocol.json")));
    Object.assign(this, whole.tables);
    this.frame = whole.frame;
    this.version = whole.protocol;
    this.hash = whole.table_hash;
    this.byName = Object.fromEntries(this.messages.map((m) => [m.name, m]));
    this.byType = Object.fromEntries(this.messages.map((m) => [m.type, m]));
  }

  pack(name, once, each) {
    const m = this.byName[name];
    return Buffer.concat([putFields(m.once, once), ...each.map((row) => putFields(m.each, row))]);
  }

  unpack(m, payload) {
    const width = widthOf(m.once);
    if (payload.length < width) return null;
    const once = takeFields(m.once, payload, 0);
    const size = widthOf(m.each);
    const each = [];
    for (let at = width; size && at + size <= payload.length; at += size)
      each.push(takeFields(m.each, payload, at));
    return { once, each };
  }
}

// --- the client ---

class Refused extends Error {
  constructor(refusal, detail) {
    super(refusal);
    Object.assign(this, { refusal, detail });
  }
}

class Client {
  constructor(tables, port, session, firstSequence) {
    Object.assign(this, { tables, port, session, sequence: (firstSequence + 65535) & 65535 });
    this.pending = Buffer.alloc(0);
  }

  // Send a request until its answer has ended; {name, values, each, data}. `session`: another than ours.
  request(name, once = [], each = [], session = this.session) {
    const m = this.tables.byName[name];
    if (m.once.length && m.once[0].name === "session") once = [session, ...once];
    this.sequence = (this.sequence + 1) & 65535;
    const wire = frame(m.type, this.sequence, this.tables.pack(name, once, each));
    for (let attempt = 0; attempt < 6; attempt++) {
      this.port.write(wire);
      const answer = this.answer(600 << attempt);
      if (answer) return answer;
    }
    throw new Error(`no answer to ${name}`);
  }

  answer(waitMs) {
    const pieces = [];
    for (;;) {
      const chunk = this.chunk(waitMs);
      if (chunk === null) return null;
      const got = openFrame(chunk, this.tables.frame);
      const m = got && this.tables.byType[got.type];
      if (!m || got.sequence !== this.sequence || got.type < 0x40 || got.type > 0x7f) continue;
      if (m.name === "run_data") {
        pieces.push([got.payload.readUInt32LE(0), got.payload.subarray(4)]);
        continue;
      }
      const message = this.tables.unpack(m, got.payload);
      if (!message) continue;
      const values = Object.fromEntries(m.once.map((f, n) => [f.name, message.once[n]]));
      if (m.name === "refused")
        throw new Refused(this.tables.codes.refusals[values.error] || `${values.error}`, values.detail);
      let data = null;
      if (m.name === "read_done") {
        data = this.join(pieces, values);
        if (data === null) return null; // a piece was lost: ask again
      }
      return { name: m.name, values, each: message.each, data };
    }
  }

  join(pieces, done) {
    let at = done.offset;
    for (const [offset, data] of pieces) {
      if (offset !== at) return null;
      at += data.length;
    }
    const whole = Buffer.concat(pieces.map((p) => p[1]));
    return whole.length === done.length && crc32(whole) === done.crc32 ? whole : null;
  }

  chunk(waitMs) {
    for (;;) {
      const end = this.pending.indexOf(0);
      if (end >= 0) {
        const chunk = this.pending.subarray(0, end);
        this.pending = this.pending.subarray(end + 1);
        if (chunk.length) return chunk;
        continue;
      }
      const data = this.port.read(waitMs);
      if (!data.length) return null;
      // whatever is longer than a frame is none: memory stays bounded
      const kept = this.pending.subarray(-this.tables.frame.max_wire);
      this.pending = Buffer.concat([kept, data]);
    }
  }

  hello() {
    const { major, minor } = this.tables.version;
    const info = this.request("hello", [major, minor, this.session]).values;
    if (info.proto_major !== major) throw new Error(`the board speaks ${info.proto_major}.${info.proto_minor}`);
    if (info.proto_minor === minor && info.table_hash !== this.tables.hash)
      throw new Error("the board's tables are others than ours");
    return info;
  }

  runs() {
    const rows = [];
    for (let page = 0; page < 100; page++) {
      const { values, each } = this.request("list_runs", [rows.length]);
      if (values.first === rows.length) rows.push(...each);
      if (!each.length || rows.length >= values.total) break;
    }
    return rows.map(([id, size, crc, frames, flags]) => ({ id, size, crc, frames, flags }));
  }

  readRun(run) {
    const pieces = [];
    for (let at = 0; at < run.size; ) {
      const { data } = this.request("read_run", [run.id, at, 16384]);
      if (!data.length) break;
      pieces.push(data);
      at += data.length;
    }
    const whole = Buffer.concat(pieces);
    if (whole.length !== run.size || crc32(whole) !== run.crc) throw new Error(`run ${run.id} does not verify`);
    return whole;
  }

  proof(data, challenge) {
    const seed = Buffer.alloc(4);
    seed.writeUInt32LE(challenge);
    return crypto.createHash("sha256").update(seed).update(data).digest().readUInt32LE(0);
  }

  acknowledge(run, data) {
    const { challenge } = this.request("read_run", [run.id, data.length, 0]).values;
    this.request("ack_run", [run.id, data.length, crc32(data), this.proof(data, challenge)]);
  }
}

// --- ports ---

class SerialPort {
  constructor(name) {
    this.fd = fs.openSync(name, fs.constants.O_RDWR | fs.constants.O_NONBLOCK | fs.constants.O_NOCTTY);
    this.buffer = Buffer.alloc(65536);
  }

  write(data) {
    for (let at = 0; at < data.length; ) at += this.retry(1000, () => fs.writeSync(this.fd, data, at)) || 0;
  }

  read(waitMs) {
    const n = this.retry(waitMs, () => fs.readSync(this.fd, this.buffer)) || 0;
    return Buffer.from(this.buffer.subarray(0, n));
  }

  retry(waitMs, act) {
    const end = Date.now() + waitMs;
    for (;;) {
      try {
        return act();
      } catch (error) {
        if (error.code !== "EAGAIN") throw error;
      }
      if (Date.now() > end) return 0;
      Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, 1);
    }
  }
}

// Plays the board: what the client sends must be what was sent when the conversation was recorded.
class Recording {
  constructor(exchanges, complain) {
    Object.assign(this, { exchanges: [...exchanges], complain, waiting: Buffer.alloc(0) });
  }

  write(data) {
    const next = this.exchanges.shift();
    if (!next) return this.complain("sent more after the end");
    if (next.send !== data.toString("hex")) this.complain(`sent ${data.toString("hex")}, wanted ${next.send}`);
    const answer = Buffer.from(next.delivered === "lost" ? "" : next.answer.join(""), "hex");
    if (next.delivered === "damaged") answer[answer.length >> 1] ^= 0x21;
    return (this.waiting = Buffer.concat([this.waiting, answer]));
  }

  read() {
    const got = this.waiting;
    this.waiting = Buffer.alloc(0);
    return got;
  }
}

// --- what can be run ---

const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);

function playCall(client, call, files, complain, memory) {
  if (call.bytes) {
    client.port.write(Buffer.from(call.bytes, "hex"));
    client.port.read();
    return;
  }
  const head = call.head.map((v) => (v === "proof" ? client.proof(memory.data(files), memory.challenge) : v));
  try {
    const got = client.request(call.request, head, call.each, call.session);
    if (got.values.challenge !== undefined) memory.challenge = got.values.challenge;
    if (call.refused) complain(`${call.request} was done, not refused with ${call.refused}`);
    if (got.name !== call.reply) complain(`${call.request}: ${got.name} in place of ${call.reply}`);
    for (const [name, value] of Object.entries(call.values || {}))
      if (got.values[name] !== value) complain(`${call.request}: ${name} is ${got.values[name]}, not ${value}`);
    if (call.rows && !same(got.each, call.rows)) complain(`${call.request}: rows differ`);
    if (got.data && got.data.length) {
      const file = files[Object.keys(files).find((f) => f.includes(`0000000${call.head[0]}.`))];
      const wanted = file.subarray(call.head[1], call.head[1] + call.head[2]);
      if (!got.data.equals(wanted)) complain(`${call.request}: other bytes`);
    }
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    if (error.refusal !== call.refused) complain(`${call.request}: refused with ${error.refusal}`);
    if (call.detail !== undefined && call.detail !== error.detail)
      complain(`${call.request}: detail ${error.detail}, not ${call.detail}`);
  }
}

function conversations(tables, folder, complain) {
  const all = JSON.parse(fs.readFileSync(path.join(folder, "conversations.json")));
  const files = Object.fromEntries(Object.entries(all.files).map(([n, hex]) => [n, Buffer.from(hex, "hex")]));
  let calls = 0;
  for (const talk of all.conversations) {
    const say = (text) => complain(`${talk.name}: ${text}`);
    const port = new Recording(talk.exchanges, say);
    const client = new Client(tables, port, all.session, all.first_sequence);
    const memory = { challenge: 0, data: (f) => f["/runs/00000001.run"] };
    for (const call of talk.calls) {
      playCall(client, call, files, say, memory);
      calls++;
    }
    if (port.exchanges.length) say(`${port.exchanges.length} exchanges never asked for`);
  }
  return `${all.conversations.length} conversations, ${calls} calls`;
}

function vectors(tables, folder, complain) {
  const all = JSON.parse(fs.readFileSync(path.join(folder, "vectors.json")));
  for (const v of all.frames) {
    const payload = tables.pack(v.name, v.head, v.each);
    if (payload.toString("hex") !== v.payload) complain(`${v.name} ${v.kind}: packed otherwise`);
    if (frame(v.type, v.sequence, payload).toString("hex") !== v.wire) complain(`${v.name} ${v.kind}: wire`);
    const got = openFrame(Buffer.from(v.wire, "hex").subarray(0, -1), tables.frame);
    const message = got && tables.unpack(tables.byType[got.type], got.payload);
    if (!message || !same(message, { once: v.head, each: v.each })) complain(`${v.name} ${v.kind}: unpacked`);
  }
  return `${all.frames.length} vectors`;
}

function pull(tables, name, out, complain) {
  const client = new Client(tables, new SerialPort(name), crypto.randomBytes(4).readUInt32LE(0) || 1, 1);
  client.hello();
  const runs = client.runs();
  for (const run of runs) {
    const file = path.join(out, `${run.id}.run`);
    fs.writeFileSync(file, client.readRun(run));
    client.acknowledge(run, fs.readFileSync(file));
  }
  if (!client.runs().every((r) => r.flags & (1 << tables.codes.run_bits.indexOf("acknowledged"))))
    complain("a run is not acknowledged");
  return `${runs.length} runs`;
}

const [mode, ...rest] = process.argv.slice(2);
const wrong = [];
const tables = new Tables(mode === "pull" ? rest[1] : rest[0]);
const jobs = { vectors, conversations, pull: (t, folder, say) => pull(t, rest[0], rest[2], say) };
const said = jobs[mode](tables, rest[0], (text) => wrong.push(text));
for (const text of wrong) console.log(text);
console.log(`${said}, ${wrong.length} differences`);
process.exit(wrong.length ? 1 : 0);
