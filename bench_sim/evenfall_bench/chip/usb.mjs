/**
 * A host at the chip's USB: enumerates a CDC serial device, opens and closes it, moves bytes.
 *
 * It replaces rp2040js' own handling of the buffers: a host that has nothing to send lets the
 * device's buffer wait (NAK on the wire), and one that does not read leaves the device's data
 * where they are.  Requests: USB 2.0 chapter 9; CDC PSTN subclass 1.2, section 6.3.
 */

const AVAILABLE = 1 << 10;
const FULL = 1 << 15;
const LENGTH = 0x3ff;
const DOUBLE = 1 << 30;
const CONTROLS = 0x80; // buffer control of endpoint 0 IN; OUT is 4 further, endpoints 8 apart
const PACKET_NS = 60000; // 64 bytes at 12 Mbit/s with handshake and turn-round (about 19 in a frame)
const CONTROL_NS = 150000;
const PACKET = 64;

const setup = (type, request, value, index, length) =>
  new Uint8Array([type, request, value & 255, value >> 8, index & 255, index >> 8, length & 255, length >> 8]);

export class UsbHost {
  /** `onData(bytes)` gets what the device sent while the port was open. */
  constructor(rp2040, clock, onData) {
    this.rp2040 = rp2040;
    this.usb = rp2040.usbCtrl;
    this.onData = onData;
    this.queue = []; // bytes for the device
    this.requests = [];
    this.current = null;
    this.configured = false;
    this.wantOpen = false;
    this.open = false;
    this.reading = true;
    this.armed = new Set(); // "in0", "out2": buffers that the device has given to the host
    this.inEndpoint = this.outEndpoint = -1;
    this.controlInterface = 0;
    this.inBusy = this.outBusy = false;
    this.inAlarm = clock.createAlarm(() => this.takeIn());
    this.outAlarm = clock.createAlarm(() => this.giveOut());
    this.controlAlarm = clock.createAlarm(() => this.control());
    this.usb.DPRAMUpdated = (offset, value) => this.bufferControl(offset, value);
    this.usb.onUSBEnabled = () => this.usb.resetDevice();
    this.usb.onResetReceived = () => this.enumerate();
  }

  enumerate() {
    this.requests = [];
    this.current = null;
    this.configured = this.open = false;
    this.armed.clear();
    this.ask(setup(0x80, 6, 0x100, 0, 18));
    this.ask(setup(0x00, 5, 1, 0, 0));
    this.ask(setup(0x80, 6, 0x200, 0, 9), null, (head) => {
      this.ask(setup(0x80, 6, 0x200, 0, head[2] | (head[3] << 8)), null, (all) => this.readDescriptors(all));
    });
  }

  readDescriptors(all) {
    let isData = false;
    for (let at = 0; at + 1 < all.length && all[at]; at += all[at]) {
      if (all[at + 1] === 4) {
        isData = all[at + 5] === 10;
        if (all[at + 5] === 2) this.controlInterface = all[at + 2];
      } else if (all[at + 1] === 5 && isData && (all[at + 3] & 3) === 2) {
        if (all[at + 2] & 0x80) this.inEndpoint = all[at + 2] & 15;
        else this.outEndpoint = all[at + 2] & 15;
      }
    }
    this.ask(setup(0x00, 9, 1, 0, 0), null, () => {
      this.configured = true;
      this.setOpen(this.wantOpen);
    });
  }

  /** The port is opened or closed by a program: line coding and DTR. */
  setOpen(open) {
    this.wantOpen = open;
    if (!this.configured || open === this.open) return;
    if (!open && this.queue.length) return; // what was written before the close still goes out
    this.open = open;
    if (open) {
      this.ask(setup(0x21, 0x20, 0, this.controlInterface, 7), new Uint8Array([0, 0xc2, 1, 0, 0, 0, 8]));
    }
    this.ask(setup(0x21, 0x22, open ? 3 : 0, this.controlInterface, 0));
    this.poll();
  }

  setReading(reading) {
    this.reading = reading;
    this.poll();
  }

  send(bytes) {
    for (const b of bytes) this.queue.push(b);
    this.poll();
  }

  ask(packet, data = null, done = null) {
    this.requests.push({ packet, data, done, got: [], length: packet[6] | (packet[7] << 8), stage: 'setup' });
    if (!this.current) this.next();
  }

  next() {
    this.current = this.requests.shift() ?? null;
    if (this.current) this.controlAlarm.schedule(CONTROL_NS);
  }

  /** One step of the control transfer under way, when the device is ready for it. */
  control() {
    const r = this.current;
    if (!r) return;
    if (r.stage === 'setup') {
      this.armed.delete('in0');
      this.armed.delete('out0');
      this.write(CONTROLS, 0);
      this.write(CONTROLS + 4, 0);
      r.stage = r.packet[0] & 0x80 ? 'read' : r.length ? 'write' : 'status';
      this.usb.sendSetupPacket(r.packet);
    } else if (r.stage === 'read' && this.armed.has('in0')) {
      const bytes = this.takeBuffer(0);
      r.got.push(...bytes);
      if (bytes.length < PACKET || r.got.length >= r.length) r.stage = 'acknowledge';
    } else if (r.stage === 'acknowledge' && this.armed.has('out0')) {
      this.fillBuffer(0, []);
      this.finish(r);
    } else if (r.stage === 'write' && this.armed.has('out0')) {
      this.fillBuffer(0, r.data);
      r.stage = 'status';
    } else if (r.stage === 'status' && this.armed.has('in0')) {
      this.takeBuffer(0);
      this.finish(r);
    }
  }

  finish(request) {
    this.current = null;
    request.done?.(request.got);
    if (!this.current) this.next();
  }

  read(offset) {
    return this.rp2040.usbDPRAMView.getUint32(offset, true);
  }

  write(offset, value) {
    this.rp2040.usbDPRAMView.setUint32(offset, value, true);
  }

  /** The device wrote a buffer control register. */
  bufferControl(offset, value) {
    if (offset < CONTROLS || offset >= 0x100) return;
    const endpoint = (offset - CONTROLS) >> 3;
    const name = `${offset & 4 ? 'out' : 'in'}${endpoint}`;
    if (!((value | (value >>> 16)) & AVAILABLE)) {
      this.armed.delete(name);
      return;
    }
    this.armed.add(name);
    if (endpoint === 0) {
      if (this.current && !this.controlAlarm.scheduled) this.controlAlarm.schedule(PACKET_NS);
      else if (this.current) this.controlAlarm.schedule(PACKET_NS);
    } else this.poll();
  }

  poll() {
    if (this.inEndpoint > 0 && !this.inBusy && this.armed.has(`in${this.inEndpoint}`) && this.open && this.reading) {
      this.inBusy = true;
      this.inAlarm.schedule(PACKET_NS);
    }
    if (this.outEndpoint > 0 && !this.outBusy && this.queue.length && this.open
        && this.armed.has(`out${this.outEndpoint}`)) {
      this.outBusy = true;
      this.outAlarm.schedule(PACKET_NS);
    }
  }

  takeIn() {
    this.inBusy = false;
    if (!this.armed.has(`in${this.inEndpoint}`) || !this.open) return;
    this.onData(this.takeBuffer(this.inEndpoint));
    this.poll();
  }

  giveOut() {
    this.outBusy = false;
    if (!this.armed.has(`out${this.outEndpoint}`)) return;
    this.fillBuffer(this.outEndpoint, this.queue.splice(0, PACKET));
    if (!this.wantOpen) this.setOpen(false);
    this.poll();
  }

  bufferAt(endpoint, out) {
    return endpoint === 0 ? 0x100 : this.read(8 * endpoint + (out ? 4 : 0)) & 0xffc0;
  }

  /** Take what the device offers on an IN endpoint; both buffers when it uses two. */
  takeBuffer(endpoint) {
    const offset = CONTROLS + 8 * endpoint;
    let value = this.read(offset);
    const at = this.bufferAt(endpoint, false);
    const bytes = [];
    for (const half of [0, 1]) {
      const word = (value >>> (16 * half)) & 0xffff;
      if (!(word & AVAILABLE)) continue;
      bytes.push(...this.rp2040.usbDPRAM.subarray(at + 64 * half, at + 64 * half + (word & LENGTH)));
      value &= ~((AVAILABLE | FULL) << (16 * half));
    }
    this.write(offset, value);
    this.armed.delete(`in${endpoint}`);
    this.usb.indicateBufferReady(endpoint, false);
    return bytes;
  }

  fillBuffer(endpoint, bytes) {
    const offset = CONTROLS + 8 * endpoint + 4;
    const value = this.read(offset);
    this.rp2040.usbDPRAM.set(bytes, this.bufferAt(endpoint, true));
    this.write(offset, ((value & ~(LENGTH | AVAILABLE)) | bytes.length | FULL) >>> 0);
    this.armed.delete(`out${endpoint}`);
    this.usb.indicateBufferReady(endpoint, true);
  }
}
