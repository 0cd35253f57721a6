BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE analyses (
	id VARCHAR(32) NOT NULL, 
	recording VARCHAR(64) NOT NULL, 
	ski VARCHAR(32), 
	settings_json TEXT NOT NULL, 
	channel INTEGER NOT NULL, 
	tap_count INTEGER NOT NULL, 
	taps_good INTEGER NOT NULL, 
	mode_count INTEGER NOT NULL, 
	record_s DOUBLE, 
	hum_hz_json TEXT NOT NULL, 
	flags_json TEXT NOT NULL, 
	measured_utc DATETIME NOT NULL, 
	supersedes VARCHAR(32), 
	made_utc DATETIME NOT NULL, 
	station VARCHAR(32) NOT NULL, 
	operator VARCHAR(32), 
	software TEXT NOT NULL, 
	digest TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(recording) REFERENCES recordings (id), 
	FOREIGN KEY(ski) REFERENCES skis (id), 
	FOREIGN KEY(supersedes) REFERENCES analyses (id), 
	FOREIGN KEY(station) REFERENCES stations (id), 
	FOREIGN KEY(operator) REFERENCES operators (id)
);
INSERT INTO "analyses" VALUES('25b37023ce74a3a015e0af06a943c7e1','11fc7ee2062b4eab1749f8bd6ff2470065f19f8026fd906f5545640533b9a11f','85eae263f7494dde1a9df765d2b5061b','{"channel":null,"high_hz":1500.0,"low_hz":15.0,"rings_on":false,"room":null,"room_s":null}',1,5,5,3,0.636,'[149.94,199.92]','[]','2026-03-01 14:30:00.000000',NULL,'2026-11-25 17:12:31.922003','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0','bc3dbefd74312e0b95a8c09e54bb7adf8f8f03826db40a020814a38a8a73eb68');
CREATE TABLE calibrations (
	id VARCHAR(32) NOT NULL, 
	kind TEXT NOT NULL, 
	file TEXT NOT NULL, 
	calibrated_utc DATETIME NOT NULL, 
	made_utc DATETIME NOT NULL, 
	PRIMARY KEY (id)
);
CREATE TABLE check_calibrations (
	lot_check VARCHAR(32) NOT NULL, 
	calibration VARCHAR(32) NOT NULL, 
	effect TEXT NOT NULL, 
	PRIMARY KEY (lot_check, calibration), 
	FOREIGN KEY(lot_check) REFERENCES checks (id), 
	FOREIGN KEY(calibration) REFERENCES calibrations (id)
);
CREATE TABLE check_groups (
	lot_check VARCHAR(32) NOT NULL, 
	number INTEGER NOT NULL, 
	construction TEXT NOT NULL, 
	length_class TEXT NOT NULL, 
	binding TEXT NOT NULL, 
	basis TEXT NOT NULL, 
	ski_ids_json TEXT NOT NULL, 
	ski_count INTEGER NOT NULL, 
	centre_percent DOUBLE, 
	spread_percent DOUBLE, 
	limit_percent DOUBLE, 
	PRIMARY KEY (lot_check, number), 
	FOREIGN KEY(lot_check) REFERENCES checks (id)
)
 WITHOUT ROWID

;
CREATE TABLE checks (
	id VARCHAR(32) NOT NULL, 
	lot VARCHAR(32) NOT NULL, 
	settings_json TEXT NOT NULL, 
	notes_json TEXT NOT NULL, 
	problems_json TEXT NOT NULL, 
	unread_json TEXT NOT NULL, 
	budget DOUBLE, 
	stiffness_u_rel DOUBLE, 
	mass_u_rel DOUBLE, 
	clock_factor DOUBLE, 
	clock_u_rel DOUBLE, 
	frequency_floor_u_rel DOUBLE, 
	damping_floor_u_rel DOUBLE, 
	shift_floor_u_rel DOUBLE, 
	made_utc DATETIME NOT NULL, 
	station VARCHAR(32) NOT NULL, 
	operator VARCHAR(32), 
	software TEXT NOT NULL, 
	digest TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(lot) REFERENCES lots (id), 
	FOREIGN KEY(station) REFERENCES stations (id), 
	FOREIGN KEY(operator) REFERENCES operators (id)
);
INSERT INTO "checks" VALUES('f3b52a5751bf58829d0ce54e50644a63','a147f6e54d40b1247332de2cf08d8863','{"channel":null,"high_hz":1500.0,"low_hz":15.0,"rings_on":false,"room":null,"room_s":null}','[]','[]','[]',0.01,0.02,0.005,1.0,0.0,0.0,0.0,0.0,'2026-11-25 17:12:31.965304','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0','f9fc9b44521d674a375821dc9d83e0b0d6706bdaed1713a6b0da1c7ef2200e6e');
INSERT INTO "checks" VALUES('8e82fd9547be9758b7d226aa503aecaa','18fda041a52e58f5e4739aeaedc25520','{"channel":null,"high_hz":1500.0,"low_hz":15.0,"rings_on":false,"room":null,"room_s":null}','[]','[]','[]',0.01,0.02,0.005,1.0,0.0,0.0,0.0,0.0,'2026-11-25 17:12:32.005256','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0','364d971270696be4cc726410dbae8edbc4d9e1a9fab3f61e92d804e1ef9e21d8');
INSERT INTO "checks" VALUES('0def2d30f08abcb67a3cbcba2c515393','18fda041a52e58f5e4739aeaedc25520','{"channel":null,"high_hz":1500.0,"low_hz":15.0,"rings_on":false,"room":null,"room_s":null}','[]','[]','[]',0.01,0.02,0.005,1.0,0.0,0.0,0.0,0.0,'2026-11-25 17:12:32.031453','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0','18298fc1bffdc92b99a4ad5276694499d52fbbb551bd3a423e988135f9af8f59');
CREATE TABLE files (
	id VARCHAR(32) NOT NULL, 
	recording VARCHAR(64) NOT NULL, 
	made_utc DATETIME NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(recording) REFERENCES recordings (id)
);
INSERT INTO "files" VALUES('6ebc29a1cd8db75e3c03c87b65c99c1a','11fc7ee2062b4eab1749f8bd6ff2470065f19f8026fd906f5545640533b9a11f','2026-11-25 17:12:31.922003');
INSERT INTO "files" VALUES('f702f9ce7022c4b1852ad675391dcd1b','c43e49f31363684bd5e49b1e6abaefd6ca985b6c784d2ce81a6fcf92524dcb44','2026-11-25 17:12:31.965304');
INSERT INTO "files" VALUES('9c8421878b4c58ae9ddac29513289d6a','798839b5ff4ace4504415e241567a87d5197552edd56a5bb69ca4fe368862703','2026-11-25 17:12:32.031453');
CREATE TABLE lots (
	id VARCHAR(32) NOT NULL, 
	name TEXT NOT NULL, 
	ski_count INTEGER NOT NULL, 
	made_utc DATETIME NOT NULL, 
	station VARCHAR(32) NOT NULL, 
	operator VARCHAR(32), 
	software TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(station) REFERENCES stations (id), 
	FOREIGN KEY(operator) REFERENCES operators (id)
);
INSERT INTO "lots" VALUES('a147f6e54d40b1247332de2cf08d8863','lot.csv',1,'2026-11-25 17:12:31.965304','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0');
INSERT INTO "lots" VALUES('18fda041a52e58f5e4739aeaedc25520','lot.csv',1,'2026-11-25 17:12:32.005256','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0');
CREATE TABLE meta (
	name VARCHAR(40) NOT NULL, 
	value TEXT NOT NULL, 
	PRIMARY KEY (name)
);
INSERT INTO "meta" VALUES('logbook','1c636fa1ea15499e9b7d816e83562aae');
INSERT INTO "meta" VALUES('made_utc','2026-11-25T17:12:31+00:00');
INSERT INTO "meta" VALUES('software','taptest 0.1.0');
CREATE TABLE modes (
	analysis VARCHAR(32) NOT NULL, 
	number INTEGER NOT NULL, 
	frequency_hz DOUBLE, 
	frequency_u_hz DOUBLE, 
	damping_ratio DOUBLE, 
	damping_ratio_u DOUBLE, 
	level_db DOUBLE, 
	taps INTEGER NOT NULL, 
	flags_json TEXT NOT NULL, 
	PRIMARY KEY (analysis, number), 
	FOREIGN KEY(analysis) REFERENCES analyses (id)
)
 WITHOUT ROWID

;
INSERT INTO "modes" VALUES('25b37023ce74a3a015e0af06a943c7e1',1,66.29,0.028,0.01,0.0005,-13.2,4,'[]');
INSERT INTO "modes" VALUES('25b37023ce74a3a015e0af06a943c7e1',2,120.69,0.007,0.01,0.0005,-13.2,4,'[]');
INSERT INTO "modes" VALUES('25b37023ce74a3a015e0af06a943c7e1',3,1348.61,0.68,0.008,0.0004,0.0,4,'[]');
CREATE TABLE operators (
	id VARCHAR(32) NOT NULL, 
	name TEXT NOT NULL, 
	made_utc DATETIME NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "operators" VALUES('b81ab7b3db057a8579260baabaa6c175','A','2026-11-25 17:12:31.922003');
CREATE TABLE pairs (
	id VARCHAR(32) NOT NULL, 
	pair_id TEXT NOT NULL, 
	made_utc DATETIME NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "pairs" VALUES('600e165c582f8c19e4ed3a7a3c24110e','17','2026-11-25 17:12:31.965304');
CREATE TABLE placed_modes (
	verdict VARCHAR(32) NOT NULL, 
	number INTEGER NOT NULL, 
	family TEXT NOT NULL, 
	mode_order INTEGER, 
	frequency_hz DOUBLE, 
	frequency_u_hz DOUBLE, 
	damping_ratio DOUBLE, 
	damping_ratio_u DOUBLE, 
	level_db DOUBLE, 
	predicted_hz DOUBLE, 
	probability DOUBLE, 
	flags_json TEXT NOT NULL, 
	PRIMARY KEY (verdict, number), 
	FOREIGN KEY(verdict) REFERENCES verdicts (id)
)
 WITHOUT ROWID

;
INSERT INTO "placed_modes" VALUES('1040d1cdb481a375db85380898ce4592',1,'bending',2,6.49739999999999895408e+01,0.00663,0.01,0.0001,-10.0,66.3,0.99,'[]');
INSERT INTO "placed_modes" VALUES('1040d1cdb481a375db85380898ce4592',2,'bending',3,118.286,0.01207,0.01,0.0001,-10.0,120.7,0.99,'[]');
INSERT INTO "placed_modes" VALUES('1040d1cdb481a375db85380898ce4592',3,'bending',4,188.062,1.91900000000000021949e-02,0.01,0.0001,-10.0,191.9,0.99,'[]');
INSERT INTO "placed_modes" VALUES('1040d1cdb481a375db85380898ce4592',4,'bending',5,274.596,0.02802,0.01,0.0001,-10.0,280.2,0.99,'[]');
INSERT INTO "placed_modes" VALUES('2adbb03f322c2998582ca0139a3d0604',1,'bending',2,66.3,0.00663,0.01,0.0001,-10.0,66.3,0.99,'[]');
INSERT INTO "placed_modes" VALUES('2adbb03f322c2998582ca0139a3d0604',2,'bending',3,120.7,0.01207,0.01,0.0001,-10.0,120.7,0.99,'[]');
INSERT INTO "placed_modes" VALUES('2adbb03f322c2998582ca0139a3d0604',3,'bending',4,191.9,1.91900000000000021949e-02,0.01,0.0001,-10.0,191.9,0.99,'[]');
INSERT INTO "placed_modes" VALUES('2adbb03f322c2998582ca0139a3d0604',4,'bending',5,280.2,0.02802,0.01,0.0001,-10.0,280.2,0.99,'[]');
INSERT INTO "placed_modes" VALUES('2f1f9ffe0b145936b88e6d28c6c5f61c',1,'bending',2,66.3,0.00663,0.01,0.0001,-10.0,66.3,0.99,'[]');
INSERT INTO "placed_modes" VALUES('2f1f9ffe0b145936b88e6d28c6c5f61c',2,'bending',3,120.7,0.01207,0.01,0.0001,-10.0,120.7,0.99,'[]');
INSERT INTO "placed_modes" VALUES('2f1f9ffe0b145936b88e6d28c6c5f61c',3,'bending',4,191.9,1.91900000000000021949e-02,0.01,0.0001,-10.0,191.9,0.99,'[]');
INSERT INTO "placed_modes" VALUES('2f1f9ffe0b145936b88e6d28c6c5f61c',4,'bending',5,280.2,0.02802,0.01,0.0001,-10.0,280.2,0.99,'[]');
CREATE TABLE predictions (
	verdict VARCHAR(32) NOT NULL, 
	number INTEGER NOT NULL, 
	family TEXT NOT NULL, 
	mode_order INTEGER NOT NULL, 
	frequency_hz DOUBLE, 
	frequency_u_hz DOUBLE, 
	PRIMARY KEY (verdict, number), 
	FOREIGN KEY(verdict) REFERENCES verdicts (id)
)
 WITHOUT ROWID

;
INSERT INTO "predictions" VALUES('1040d1cdb481a375db85380898ce4592',1,'bending',1,27.43,1.14);
INSERT INTO "predictions" VALUES('2adbb03f322c2998582ca0139a3d0604',1,'bending',1,27.43,1.14);
INSERT INTO "predictions" VALUES('2f1f9ffe0b145936b88e6d28c6c5f61c',1,'bending',1,27.43,1.14);
CREATE TABLE recordings (
	id VARCHAR(64) NOT NULL, 
	sample_rate_hz INTEGER NOT NULL, 
	channels INTEGER NOT NULL, 
	frames INTEGER NOT NULL, 
	bits INTEGER, 
	file_name TEXT NOT NULL, 
	stored_as TEXT NOT NULL, 
	flags_json TEXT NOT NULL, 
	recorded_utc DATETIME NOT NULL, 
	made_utc DATETIME NOT NULL, 
	station VARCHAR(32) NOT NULL, 
	operator VARCHAR(32), 
	software TEXT NOT NULL, 
	digest TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(station) REFERENCES stations (id), 
	FOREIGN KEY(operator) REFERENCES operators (id)
);
INSERT INTO "recordings" VALUES('11fc7ee2062b4eab1749f8bd6ff2470065f19f8026fd906f5545640533b9a11f',48000,1,12000,24,'r.flac','11/11fc7ee2062b4eab1749f8bd6ff2470065f19f8026fd906f5545640533b9a11f.flac','[]','2026-03-01 14:30:00.000000','2026-11-25 17:12:31.922003','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0','0487243f48bca1b6b2e4b8472b756865a373f79b9fe2cd075b3b3fa0b51444f9');
INSERT INTO "recordings" VALUES('c43e49f31363684bd5e49b1e6abaefd6ca985b6c784d2ce81a6fcf92524dcb44',48000,1,12000,24,'l.flac','c4/c43e49f31363684bd5e49b1e6abaefd6ca985b6c784d2ce81a6fcf92524dcb44.flac','[]','2026-03-01 14:30:00.000000','2026-11-25 17:12:31.965304','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0','8645afa9edd8ad4dd1bf87cd6a8b671b8d045bfe62a4ca6539651500205a1f34');
INSERT INTO "recordings" VALUES('798839b5ff4ace4504415e241567a87d5197552edd56a5bb69ca4fe368862703',48000,1,12000,24,'s.flac','79/798839b5ff4ace4504415e241567a87d5197552edd56a5bb69ca4fe368862703.flac','[]','2026-03-03 14:30:00.000000','2026-11-25 17:12:32.031453','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0','96096457600a612680bd1e593a39ebe2a39ffe4180b63015873220eb4052d2dc');
CREATE TABLE skis (
	id VARCHAR(32) NOT NULL, 
	ski_id TEXT NOT NULL, 
	folded TEXT NOT NULL, 
	made_utc DATETIME NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "skis" VALUES('85eae263f7494dde1a9df765d2b5061b','17R','17r','2026-11-25 17:12:31.922003');
INSERT INTO "skis" VALUES('a25d5f28b383241b4ac94ed8d0d9dd13','17L','17l','2026-11-25 17:12:31.965304');
CREATE TABLE stations (
	id VARCHAR(32) NOT NULL, 
	name TEXT NOT NULL, 
	made_utc DATETIME NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "stations" VALUES('d79a72db180b43d34eeb1174ec1585c8','bench 1','2026-11-25 17:12:31.922003');
CREATE TABLE taps (
	analysis VARCHAR(32) NOT NULL, 
	number INTEGER NOT NULL, 
	onset INTEGER NOT NULL, 
	start INTEGER NOT NULL, 
	stop INTEGER NOT NULL, 
	silence INTEGER NOT NULL, 
	snr_db DOUBLE, 
	ring_s DOUBLE, 
	reasons_json TEXT NOT NULL, 
	PRIMARY KEY (analysis, number), 
	FOREIGN KEY(analysis) REFERENCES analyses (id)
)
 WITHOUT ROWID

;
INSERT INTO "taps" VALUES('25b37023ce74a3a015e0af06a943c7e1',1,24000,24144,72000,0,46.7,0.335,'[]');
INSERT INTO "taps" VALUES('25b37023ce74a3a015e0af06a943c7e1',2,96000,96144,144000,72000,45.7,0.335,'[]');
INSERT INTO "taps" VALUES('25b37023ce74a3a015e0af06a943c7e1',3,168000,168144,216000,144000,44.7,0.335,'[]');
INSERT INTO "taps" VALUES('25b37023ce74a3a015e0af06a943c7e1',4,240000,240144,288000,216000,43.7,0.335,'[]');
INSERT INTO "taps" VALUES('25b37023ce74a3a015e0af06a943c7e1',5,312000,312144,360000,288000,42.7,0.335,'[]');
CREATE TABLE verdict_recordings (
	verdict VARCHAR(32) NOT NULL, 
	recording VARCHAR(64) NOT NULL, 
	PRIMARY KEY (verdict, recording), 
	FOREIGN KEY(verdict) REFERENCES verdicts (id), 
	FOREIGN KEY(recording) REFERENCES recordings (id)
);
INSERT INTO "verdict_recordings" VALUES('2f1f9ffe0b145936b88e6d28c6c5f61c','c43e49f31363684bd5e49b1e6abaefd6ca985b6c784d2ce81a6fcf92524dcb44');
INSERT INTO "verdict_recordings" VALUES('2adbb03f322c2998582ca0139a3d0604','11fc7ee2062b4eab1749f8bd6ff2470065f19f8026fd906f5545640533b9a11f');
INSERT INTO "verdict_recordings" VALUES('1040d1cdb481a375db85380898ce4592','798839b5ff4ace4504415e241567a87d5197552edd56a5bb69ca4fe368862703');
CREATE TABLE verdicts (
	id VARCHAR(32) NOT NULL, 
	lot_check VARCHAR(32) NOT NULL, 
	ski VARCHAR(32) NOT NULL, 
	pair VARCHAR(32), 
	measured_utc DATETIME NOT NULL, 
	made_utc DATETIME NOT NULL, 
	line INTEGER, 
	group_number INTEGER, 
	side TEXT, 
	generation TEXT, 
	construction_name TEXT, 
	construction TEXT NOT NULL, 
	note TEXT NOT NULL, 
	length_m DOUBLE, 
	mass_kg DOUBLE, 
	stiffness_n_per_m DOUBLE, 
	span_m DOUBLE, 
	rig_centre_m DOUBLE, 
	balance_m DOUBLE, 
	binding_mass_kg DOUBLE, 
	binding_m DOUBLE, 
	temperature_c DOUBLE, 
	frequencies_at_c DOUBLE, 
	predicted_hz DOUBLE, 
	predicted_u_hz DOUBLE, 
	measured_hz DOUBLE, 
	measured_u_hz DOUBLE, 
	deviation_percent DOUBLE, 
	deviation_u_percent DOUBLE, 
	damping_ratio DOUBLE, 
	damping_ratio_u DOUBLE, 
	unevenness DOUBLE, 
	score DOUBLE, 
	shift_percent DOUBLE, 
	shift_u_percent DOUBLE, 
	shift_limit_percent DOUBLE, 
	first_heard BOOLEAN NOT NULL, 
	taps_good INTEGER NOT NULL, 
	taps_found INTEGER NOT NULL, 
	verdict TEXT NOT NULL, 
	reasons_json TEXT NOT NULL, 
	statistics_json TEXT NOT NULL, 
	sounds_key TEXT NOT NULL, 
	supersedes VARCHAR(32), 
	digest TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(lot_check) REFERENCES checks (id), 
	FOREIGN KEY(ski) REFERENCES skis (id), 
	FOREIGN KEY(pair) REFERENCES pairs (id), 
	FOREIGN KEY(supersedes) REFERENCES verdicts (id)
);
INSERT INTO "verdicts" VALUES('2f1f9ffe0b145936b88e6d28c6c5f61c','f3b52a5751bf58829d0ce54e50644a63','a25d5f28b383241b4ac94ed8d0d9dd13','600e165c582f8c19e4ed3a7a3c24110e','2026-03-01 14:30:00.000000','2026-11-25 17:12:31.965304',2,NULL,'R','amber','Classic, generic','classic_generic','',1.99,0.539,4438.0,1.4,NULL,0.97,0.0,NULL,20.0,20.0,27.43,1.14,28.02,0.31,2.15,4.3,0.0101,0.0002,0.9,0.31,NULL,NULL,NULL,0,5,5,'pass','[]','[]','d482d00fa7d9b7f972bd162631d50275',NULL,'a7da80c40f3875be0058b8b739ad290f41ec1857bd70d7bd8c8c1e30b5ddf104');
INSERT INTO "verdicts" VALUES('2adbb03f322c2998582ca0139a3d0604','8e82fd9547be9758b7d226aa503aecaa','85eae263f7494dde1a9df765d2b5061b','600e165c582f8c19e4ed3a7a3c24110e','2026-03-01 14:30:00.000000','2026-11-25 17:12:32.005256',2,NULL,'R','amber','Classic, generic','classic_generic','',1.99,0.539,4438.0,1.4,NULL,0.97,0.0,NULL,20.0,20.0,27.43,1.14,28.02,0.31,2.15,4.3,0.0101,0.0002,0.9,0.31,NULL,NULL,NULL,0,5,5,'pass','[]','[]','6ae5cf8e94c4fddbb303c0f683454fc4',NULL,'ba21ac0a10162e4a0a6399f25f9772a4c9b5cf868feacad0a8c5e6f047a8e6b9');
INSERT INTO "verdicts" VALUES('1040d1cdb481a375db85380898ce4592','0def2d30f08abcb67a3cbcba2c515393','85eae263f7494dde1a9df765d2b5061b','600e165c582f8c19e4ed3a7a3c24110e','2026-03-03 14:30:00.000000','2026-11-25 17:12:32.031453',2,NULL,'R','amber','Classic, generic','classic_generic','',1.99,0.539,4438.0,1.4,NULL,0.97,0.0,NULL,20.0,20.0,27.43,1.14,28.02,0.31,2.15,4.3,0.0101,0.0002,0.9,0.31,NULL,NULL,NULL,0,5,5,'outlier','[]','[]','cb67b43610a58c28d79182478b8759a1',NULL,'4bb5e7f79d04606ddf923bc2d259db62d36145cbceba86f21117183401645adf');
CREATE INDEX skis_by_folded ON skis (folded);
CREATE INDEX analyses_by_recording ON analyses (recording, made_utc);
CREATE INDEX analyses_by_ski ON analyses (ski, measured_utc);
CREATE INDEX checks_by_lot ON checks (lot, made_utc);
CREATE INDEX verdicts_by_ski ON verdicts (ski, measured_utc, made_utc, id);
CREATE INDEX verdicts_by_time ON verdicts (measured_utc, made_utc, id);
CREATE INDEX verdicts_by_check ON verdicts (lot_check);
CREATE INDEX verdicts_by_pair ON verdicts (pair);
CREATE INDEX verdicts_by_supersedes ON verdicts (supersedes);
CREATE INDEX verdict_recordings_by_recording ON verdict_recordings (recording);
COMMIT;
