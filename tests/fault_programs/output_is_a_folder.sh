#!/bin/sh
# Makes a folder where its output should be.
mkdir "$2"
