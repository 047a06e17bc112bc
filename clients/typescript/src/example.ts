// The fluxfix service from TypeScript: lists the rigs, solves one reading, then many at once.
//
//   node build/out/src/example.js ADDRESS RIG X Y Z ...     a reading in mT, as many values as the rig has columns
//
// FLUXFIX_TOKEN, where set, is sent as bearer token; FLUXFIX_CA names the PEM file of who vouches for the server, and makes
// the connection encrypted.
//
// The result is not certified for safety functions. On any status but 0, and whenever a call fails or is late, go to the safe
// state.

import { readFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

import * as grpc from "@grpc/grpc-js";
import { loadSync } from "@grpc/proto-loader";

import type { ListRigsResponse__Output } from "../build/types/fluxfix/v1/ListRigsResponse.js";
import type { SolveReadingResponse__Output } from "../build/types/fluxfix/v1/SolveReadingResponse.js";
import type { SolveReadingsResponse__Output } from "../build/types/fluxfix/v1/SolveReadingsResponse.js";
import type { ProtoGrpcType as RigTypes } from "../build/types/rig_service.js";
import type { ProtoGrpcType as SolveTypes } from "../build/types/solve_service.js";

const TIME_ALLOWED_MS = 10_000;
const BATCH = 1000;
const DOUBLE_BYTES = 8;
const CHANNEL = { "grpc.enable_http_proxy": 0 }; // a proxy for web pages does not know the way to a rig's network
const PROTO = join(dirname(fileURLToPath(import.meta.url)), "../../../../../proto");

type Answer<T> = (error: grpc.ServiceError | null, answer?: T) => void;

const definitions = loadSync(["fluxfix/v1/rig_service.proto", "fluxfix/v1/solve_service.proto"], {
  includeDirs: [PROTO],
  longs: Number,
  defaults: true,
});
const { v1 } = (grpc.loadPackageDefinition(definitions) as unknown as RigTypes & SolveTypes).fluxfix;

// What goes with every call: the token, if there is one, and a deadline, without which a call could wait for ever.
function metadata(): grpc.Metadata {
  const made = new grpc.Metadata();
  const token = process.env["FLUXFIX_TOKEN"];
  if (token) made.set("authorization", `Bearer ${token}`);
  return made;
}

function options(): grpc.CallOptions {
  return { deadline: Date.now() + TIME_ALLOWED_MS };
}

function credentials(): grpc.ChannelCredentials {
  const path = process.env["FLUXFIX_CA"];
  return path ? grpc.credentials.createSsl(readFileSync(path)) : grpc.credentials.createInsecure();
}

function asked<T>(call: (answer: Answer<T>) => void): Promise<T> {
  return new Promise((resolve, reject) => {
    call((error, answer) => (error || answer === undefined ? reject(error) : resolve(answer)));
  });
}

// Columns travel as little-endian IEEE 754 binary64, row by row.
function packed(rows: number[][]): Buffer {
  const values = rows.flat();
  const bytes = Buffer.alloc(values.length * DOUBLE_BYTES);
  values.forEach((value, k) => bytes.writeDoubleLE(value, k * DOUBLE_BYTES));
  return bytes;
}

function column(bytes: Buffer): number[] {
  return Array.from({ length: bytes.length / DOUBLE_BYTES }, (_, k) => bytes.readDoubleLE(k * DOUBLE_BYTES));
}

async function main(address: string, name: string, reading: number[]): Promise<void> {
  const rigs = new v1.RigService(address, credentials(), CHANNEL);
  const solving = new v1.SolveService(address, credentials(), CHANNEL);
  let pageToken = "";
  do {
    const page = await asked<ListRigsResponse__Output>((answer) =>
      rigs.listRigs({ pageToken }, metadata(), options(), answer),
    );
    for (const rig of page.rigs) {
      const joints = rig.joints.map((joint) => `${joint.name} ${joint.low} to ${joint.high} ${joint.unit}`);
      console.log(`rig ${rig.name}: ${joints.join(" ")}`);
    }
    pageToken = page.nextPageToken;
  } while (pageToken);

  const one = await asked<SolveReadingResponse__Output>((answer) =>
    solving.solveReading({ name, fluxDensityMillitesla: reading }, metadata(), options(), answer),
  );
  if (one.fix) {
    console.log(`one: status ${one.fix.status}, misfit ${one.fix.misfit}, position ${one.fix.position.join(" ")}`);
  }

  // The same reading many times over, as a real program would send many different ones.
  const bytes = packed(Array.from({ length: BATCH }, () => reading));
  const many = await asked<SolveReadingsResponse__Output>((answer) =>
    solving.solveReadings({ name, count: BATCH, fluxDensityMillitesla: bytes }, metadata(), options(), answer),
  );
  if (many.fixes) {
    const last = column(many.fixes.position).slice(-many.fixes.jointCount);
    console.log(`many: ${many.fixes.count} fixes, last position ${last.join(" ")}`);
  }
  rigs.close();
  solving.close();
}

const [address, rig, ...values] = process.argv.slice(2);
if (address === undefined || rig === undefined || values.length < 1) {
  console.error("use: example ADDRESS RIG X Y Z ...");
  process.exit(2);
}
try {
  await main(address, `rigs/${rig}`, values.map(Number));
} catch (error) {
  const failure = error as Partial<grpc.ServiceError>;
  console.error(`code ${failure.code}: ${failure.details ?? String(error)}`);
  process.exit(1);
}
