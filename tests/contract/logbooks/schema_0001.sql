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
	false_alarm_rate DOUBLE, 
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
INSERT INTO "checks" VALUES('d9cab5a72a6d338e21d7e0535aeddf70','71a0be63fc9366c14ae5e1a48d817da5','{"channel":null,"high_hz":1500.0,"low_hz":15.0,"rings_on":false,"room":null}','[]','[]','[]',0.01,0.02,0.005,1.0,0.0,0.0,0.0,0.0,'2026-11-28 15:00:44.563861','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0','790aa1cf3584e3d1ff9702b7d21a44227ca75d706baa024dc52f1d9d575fbefe');
INSERT INTO "checks" VALUES('38167df4188d965c7187c1e34a77ca59','965e7a4c830dd9571c83e930ddf5a673','{"channel":null,"high_hz":1500.0,"low_hz":15.0,"rings_on":false,"room":null}','[]','[]','[]',0.01,0.02,0.005,1.0,0.0,0.0,0.0,0.0,'2026-11-28 15:00:44.679831','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0','c058795ed4a291f19f7ea630a500d074e7ff3b1fdff98fe9793ad2b825774535');
INSERT INTO "checks" VALUES('30ac076e1c2ee5fe21d8dc6021c44fe2','965e7a4c830dd9571c83e930ddf5a673','{"channel":null,"high_hz":1500.0,"low_hz":15.0,"rings_on":false,"room":null}','[]','[]','[]',0.01,0.02,0.005,1.0,0.0,0.0,0.0,0.0,'2026-11-28 15:00:44.771823','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0','b2d59557426b422ed6707247323f42c4f4c441bd5aa60658974129762e30a681');
CREATE TABLE files (
	id VARCHAR(32) NOT NULL, 
	recording VARCHAR(64) NOT NULL, 
	made_utc DATETIME NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(recording) REFERENCES recordings (id)
);
INSERT INTO "files" VALUES('5b740f47eaf96f7c573e9bfe32689244','11fc7ee2062b4eab1749f8bd6ff2470065f19f8026fd906f5545640533b9a11f','2026-11-28 15:00:44.563861');
INSERT INTO "files" VALUES('4e86fda7178912a03d0cb06d849edf46','c43e49f31363684bd5e49b1e6abaefd6ca985b6c784d2ce81a6fcf92524dcb44','2026-11-28 15:00:44.679831');
INSERT INTO "files" VALUES('6b36a99972ccca4f5490f3d5d16e27f2','709f0b013608c28b9f56f4f483756be0692d09cea4c16482843a14e1c59e75ef','2026-11-28 15:00:44.771823');
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
INSERT INTO "lots" VALUES('71a0be63fc9366c14ae5e1a48d817da5','lot.csv',1,'2026-11-28 15:00:44.563861','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0');
INSERT INTO "lots" VALUES('965e7a4c830dd9571c83e930ddf5a673','lot.csv',1,'2026-11-28 15:00:44.679831','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0');
CREATE TABLE meta (
	name VARCHAR(40) NOT NULL, 
	value TEXT NOT NULL, 
	PRIMARY KEY (name)
);
INSERT INTO "meta" VALUES('logbook','ddaaaebf4a284ae8bda51ab0f0e394b2');
INSERT INTO "meta" VALUES('made_utc','2026-11-28T15:00:44+00:00');
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
CREATE TABLE operators (
	id VARCHAR(32) NOT NULL, 
	name TEXT NOT NULL, 
	made_utc DATETIME NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "operators" VALUES('b81ab7b3db057a8579260baabaa6c175','A','2026-11-28 15:00:44.563861');
CREATE TABLE pairs (
	id VARCHAR(32) NOT NULL, 
	pair_id TEXT NOT NULL, 
	made_utc DATETIME NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "pairs" VALUES('600e165c582f8c19e4ed3a7a3c24110e','17','2026-11-28 15:00:44.563861');
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
INSERT INTO "placed_modes" VALUES('279c65302dec8f464be64ba3e3a36d07',1,'bending',2,66.3,0.00663,0.01,0.0001,-10.0,66.3,0.99,'[]');
INSERT INTO "placed_modes" VALUES('279c65302dec8f464be64ba3e3a36d07',2,'bending',3,120.7,0.01207,0.01,0.0001,-10.0,120.7,0.99,'[]');
INSERT INTO "placed_modes" VALUES('279c65302dec8f464be64ba3e3a36d07',3,'bending',4,191.9,1.91900000000000021949e-02,0.01,0.0001,-10.0,191.9,0.99,'[]');
INSERT INTO "placed_modes" VALUES('279c65302dec8f464be64ba3e3a36d07',4,'bending',5,280.2,0.02802,0.01,0.0001,-10.0,280.2,0.99,'[]');
INSERT INTO "placed_modes" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad',1,'bending',2,66.3,0.00663,0.01,0.0001,-10.0,66.3,0.99,'[]');
INSERT INTO "placed_modes" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad',2,'bending',3,120.7,0.01207,0.01,0.0001,-10.0,120.7,0.99,'[]');
INSERT INTO "placed_modes" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad',3,'bending',4,191.9,1.91900000000000021949e-02,0.01,0.0001,-10.0,191.9,0.99,'[]');
INSERT INTO "placed_modes" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad',4,'bending',5,280.2,0.02802,0.01,0.0001,-10.0,280.2,0.99,'[]');
INSERT INTO "placed_modes" VALUES('e06b9f9354100c883c7c0efc8751177b',1,'bending',2,6.49739999999999895408e+01,0.00663,0.01,0.0001,-10.0,66.3,0.99,'[]');
INSERT INTO "placed_modes" VALUES('e06b9f9354100c883c7c0efc8751177b',2,'bending',3,118.286,0.01207,0.01,0.0001,-10.0,120.7,0.99,'[]');
INSERT INTO "placed_modes" VALUES('e06b9f9354100c883c7c0efc8751177b',3,'bending',4,188.062,1.91900000000000021949e-02,0.01,0.0001,-10.0,191.9,0.99,'[]');
INSERT INTO "placed_modes" VALUES('e06b9f9354100c883c7c0efc8751177b',4,'bending',5,274.596,0.02802,0.01,0.0001,-10.0,280.2,0.99,'[]');
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
INSERT INTO "predictions" VALUES('279c65302dec8f464be64ba3e3a36d07',1,'bending',1,27.43,1.14108799999999988017e+00);
INSERT INTO "predictions" VALUES('279c65302dec8f464be64ba3e3a36d07',2,'bending',2,75.610795,3.1454090719999996395e+00);
INSERT INTO "predictions" VALUES('279c65302dec8f464be64ba3e3a36d07',3,'bending',3,1.48228977000000014638e+02,6.16632544320000075543e+00);
INSERT INTO "predictions" VALUES('279c65302dec8f464be64ba3e3a36d07',4,'bending',4,2.45032189999999985732e+02,10.193339104);
INSERT INTO "predictions" VALUES('279c65302dec8f464be64ba3e3a36d07',5,'bending',5,366.034149,15.2270205984);
INSERT INTO "predictions" VALUES('279c65302dec8f464be64ba3e3a36d07',6,'bending',6,5.1122936799999996538e+02,2.12671417087999969908e+01);
INSERT INTO "predictions" VALUES('279c65302dec8f464be64ba3e3a36d07',7,'bending',7,680.634305,28.314387088);
INSERT INTO "predictions" VALUES('279c65302dec8f464be64ba3e3a36d07',8,'bending',8,8.74229759000000058218e+02,36.3679579744);
INSERT INTO "predictions" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad',1,'bending',1,27.43,1.14108799999999988017e+00);
INSERT INTO "predictions" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad',2,'bending',2,75.610795,3.1454090719999996395e+00);
INSERT INTO "predictions" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad',3,'bending',3,1.48228977000000014638e+02,6.16632544320000075543e+00);
INSERT INTO "predictions" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad',4,'bending',4,2.45032189999999985732e+02,10.193339104);
INSERT INTO "predictions" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad',5,'bending',5,366.034149,15.2270205984);
INSERT INTO "predictions" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad',6,'bending',6,5.1122936799999996538e+02,2.12671417087999969908e+01);
INSERT INTO "predictions" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad',7,'bending',7,680.634305,28.314387088);
INSERT INTO "predictions" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad',8,'bending',8,8.74229759000000058218e+02,36.3679579744);
INSERT INTO "predictions" VALUES('e06b9f9354100c883c7c0efc8751177b',1,'bending',1,27.43,1.14108799999999988017e+00);
INSERT INTO "predictions" VALUES('e06b9f9354100c883c7c0efc8751177b',2,'bending',2,75.610795,3.1454090719999996395e+00);
INSERT INTO "predictions" VALUES('e06b9f9354100c883c7c0efc8751177b',3,'bending',3,1.48228977000000014638e+02,6.16632544320000075543e+00);
INSERT INTO "predictions" VALUES('e06b9f9354100c883c7c0efc8751177b',4,'bending',4,2.45032189999999985732e+02,10.193339104);
INSERT INTO "predictions" VALUES('e06b9f9354100c883c7c0efc8751177b',5,'bending',5,366.034149,15.2270205984);
INSERT INTO "predictions" VALUES('e06b9f9354100c883c7c0efc8751177b',6,'bending',6,5.1122936799999996538e+02,2.12671417087999969908e+01);
INSERT INTO "predictions" VALUES('e06b9f9354100c883c7c0efc8751177b',7,'bending',7,680.634305,28.314387088);
INSERT INTO "predictions" VALUES('e06b9f9354100c883c7c0efc8751177b',8,'bending',8,8.74229759000000058218e+02,36.3679579744);
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
INSERT INTO "recordings" VALUES('11fc7ee2062b4eab1749f8bd6ff2470065f19f8026fd906f5545640533b9a11f',48000,1,12000,24,'a.flac','11/11fc7ee2062b4eab1749f8bd6ff2470065f19f8026fd906f5545640533b9a11f.flac','[]','2026-03-01 14:30:00.000000','2026-11-28 15:00:44.563861','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0','e7af2cca55c2d816902c684825a03d7d0478b00d7f1aaef340fe221a19c7691d');
INSERT INTO "recordings" VALUES('c43e49f31363684bd5e49b1e6abaefd6ca985b6c784d2ce81a6fcf92524dcb44',48000,1,12000,24,'b.flac','c4/c43e49f31363684bd5e49b1e6abaefd6ca985b6c784d2ce81a6fcf92524dcb44.flac','[]','2026-03-01 14:30:00.000000','2026-11-28 15:00:44.679831','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0','a4ef28fb8ef372a5de214dec591ebc9e64ccc173d8483deb7ff8a662e40207ad');
INSERT INTO "recordings" VALUES('709f0b013608c28b9f56f4f483756be0692d09cea4c16482843a14e1c59e75ef',48000,1,12000,24,'c.flac','70/709f0b013608c28b9f56f4f483756be0692d09cea4c16482843a14e1c59e75ef.flac','[]','2026-03-03 14:30:00.000000','2026-11-28 15:00:44.771823','d79a72db180b43d34eeb1174ec1585c8','b81ab7b3db057a8579260baabaa6c175','taptest 0.1.0','1a9c3cef84b97a5af9ec0cc06eea76db7f5316f89d98a18d74e0ab9fb922778f');
CREATE TABLE skis (
	id VARCHAR(32) NOT NULL, 
	ski_id TEXT NOT NULL, 
	folded TEXT NOT NULL, 
	made_utc DATETIME NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "skis" VALUES('a25d5f28b383241b4ac94ed8d0d9dd13','17L','17l','2026-11-28 15:00:44.563861');
INSERT INTO "skis" VALUES('85eae263f7494dde1a9df765d2b5061b','17R','17r','2026-11-28 15:00:44.679831');
CREATE TABLE stations (
	id VARCHAR(32) NOT NULL, 
	name TEXT NOT NULL, 
	made_utc DATETIME NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "stations" VALUES('d79a72db180b43d34eeb1174ec1585c8','bench 1','2026-11-28 15:00:44.563861');
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
CREATE TABLE verdict_recordings (
	verdict VARCHAR(32) NOT NULL, 
	recording VARCHAR(64) NOT NULL, 
	PRIMARY KEY (verdict, recording), 
	FOREIGN KEY(verdict) REFERENCES verdicts (id), 
	FOREIGN KEY(recording) REFERENCES recordings (id)
);
INSERT INTO "verdict_recordings" VALUES('279c65302dec8f464be64ba3e3a36d07','11fc7ee2062b4eab1749f8bd6ff2470065f19f8026fd906f5545640533b9a11f');
INSERT INTO "verdict_recordings" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad','c43e49f31363684bd5e49b1e6abaefd6ca985b6c784d2ce81a6fcf92524dcb44');
INSERT INTO "verdict_recordings" VALUES('e06b9f9354100c883c7c0efc8751177b','709f0b013608c28b9f56f4f483756be0692d09cea4c16482843a14e1c59e75ef');
CREATE TABLE verdicts (
	id VARCHAR(32) NOT NULL, 
	lot_check VARCHAR(32) NOT NULL, 
	ski VARCHAR(32) NOT NULL, 
	pair VARCHAR(32), 
	measured_utc DATETIME NOT NULL, 
	made_utc DATETIME NOT NULL, 
	line INTEGER, 
	side TEXT, 
	generation TEXT, 
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
	predicted_hz DOUBLE, 
	predicted_u_hz DOUBLE, 
	first_mode_hz DOUBLE, 
	first_mode_u_hz DOUBLE, 
	first_mode_source TEXT, 
	deviation_percent DOUBLE, 
	deviation_u_percent DOUBLE, 
	damping_ratio DOUBLE, 
	damping_ratio_u DOUBLE, 
	shift_percent DOUBLE, 
	shift_u_percent DOUBLE, 
	shift_limit_percent DOUBLE, 
	residual_chi_square DOUBLE, 
	score DOUBLE, 
	taps_good INTEGER NOT NULL, 
	taps_found INTEGER NOT NULL, 
	group_number INTEGER, 
	verdict TEXT NOT NULL, 
	construction_name TEXT, 
	frequencies_at_c DOUBLE, 
	reasons_json TEXT NOT NULL, 
	reason_codes_json TEXT NOT NULL, 
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
INSERT INTO "verdicts" VALUES('279c65302dec8f464be64ba3e3a36d07','d9cab5a72a6d338e21d7e0535aeddf70','a25d5f28b383241b4ac94ed8d0d9dd13','600e165c582f8c19e4ed3a7a3c24110e','2026-03-01 14:30:00.000000','2026-11-28 15:00:44.563861',2,'R','amber','classic_generic','',1.99,0.539,4438.0,1.4,NULL,0.97,0.0,NULL,20.0,27.43,1.14108799999999988017e+00,28.02,0.31,'inferred',2.15092963908130041517e+00,4.39719306146834210125e+00,1.01000000000000030725e-02,2.02000000000000058198e-04,NULL,NULL,NULL,0.9,0.31,5,5,NULL,'pass','Classic, generic',20.0,'[]','[]','[{"count":2,"limit":2.90322581,"may_reject":true,"name":"unevenness","rank":1,"score":0.31,"suspicious":false,"u":0.0,"unit":"","value":0.9}]','6ae5cf8e94c4fddbb303c0f683454fc4',NULL,'9fadaa0c03855406a81eeba110b05dc42aad706da69fdd66281049bb90c0ac14');
INSERT INTO "verdicts" VALUES('816bb72ca7b5a5e46c286f5b4e6e50ad','38167df4188d965c7187c1e34a77ca59','85eae263f7494dde1a9df765d2b5061b','600e165c582f8c19e4ed3a7a3c24110e','2026-03-01 14:30:00.000000','2026-11-28 15:00:44.679831',2,'R','amber','classic_generic','',1.99,0.539,4438.0,1.4,NULL,0.97,0.0,NULL,20.0,27.43,1.14108799999999988017e+00,28.02,0.31,'inferred',2.15092963908130041517e+00,4.39719306146834210125e+00,1.01000000000000030725e-02,2.02000000000000058198e-04,NULL,NULL,NULL,0.9,0.31,5,5,NULL,'pass','Classic, generic',20.0,'[]','[]','[{"count":2,"limit":2.90322581,"may_reject":true,"name":"unevenness","rank":1,"score":0.31,"suspicious":false,"u":0.0,"unit":"","value":0.9}]','d482d00fa7d9b7f972bd162631d50275',NULL,'db965c371492d353c7fe5648a8ce432f097ead1424cd35ccad54365cfa0c3b65');
INSERT INTO "verdicts" VALUES('e06b9f9354100c883c7c0efc8751177b','30ac076e1c2ee5fe21d8dc6021c44fe2','85eae263f7494dde1a9df765d2b5061b','600e165c582f8c19e4ed3a7a3c24110e','2026-03-03 14:30:00.000000','2026-11-28 15:00:44.771823',2,'R','amber','classic_generic','',1.99,0.539,4438.0,1.4,NULL,0.97,0.0,NULL,20.0,27.43,1.14108799999999988017e+00,28.02,0.31,'inferred',2.15092963908130041517e+00,4.39719306146834210125e+00,1.01000000000000030725e-02,2.02000000000000058198e-04,NULL,NULL,NULL,0.9,0.31,5,5,NULL,'outlier','Classic, generic',20.0,'[]','[]','[{"count":2,"limit":2.90322581,"may_reject":true,"name":"unevenness","rank":1,"score":0.31,"suspicious":false,"u":0.0,"unit":"","value":0.9}]','4db9db35ee462dacc2add755f522faa5',NULL,'433d0a4a3b48cbae2431d50f1c7d21f3169d9c127fc2d9e2ebbb464a029d2a63');
CREATE INDEX skis_by_folded ON skis (folded);
CREATE INDEX analyses_by_recording ON analyses (recording, made_utc);
CREATE INDEX analyses_by_ski ON analyses (ski, measured_utc);
CREATE INDEX checks_by_lot ON checks (lot, made_utc);
CREATE INDEX verdicts_by_ski ON verdicts (ski, measured_utc, made_utc, id);
CREATE INDEX verdicts_by_pair ON verdicts (pair);
CREATE INDEX verdicts_by_supersedes ON verdicts (supersedes);
CREATE INDEX verdicts_by_time ON verdicts (measured_utc, made_utc, id);
CREATE INDEX verdicts_by_check ON verdicts (lot_check);
CREATE INDEX verdict_recordings_by_recording ON verdict_recordings (recording);
COMMIT;
