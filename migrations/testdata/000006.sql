update certificate set parts = '[{"Kind": "microphone", "SerialNumber": "1"}]' where id = '00000000-0000-7000-8000-00000000000f';
