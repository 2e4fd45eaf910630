// A GLB as three.js loads it in node, with the animations of further files behind its own.
import { readFile } from 'node:fs/promises';
import { GLTFLoader } from 'three/addons/loaders/GLTFLoader.js';

globalThis.self = globalThis; // the loader asks the browser's name for the global object

async function load(path) {
  const bytes = await readFile(path);
  const buffer = bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.byteLength);
  return new GLTFLoader().parseAsync(buffer, '');
}

export async function loaded(path, others) {
  const gltf = await load(path);
  for (const other of others) gltf.animations.push(...(await load(other)).animations);
  return gltf;
}
